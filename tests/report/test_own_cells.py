"""Cells that an engineer adds: under their name on the page, told apart, sealed, and never run again."""

from __future__ import annotations

import shutil
from pathlib import Path

import nbformat
import pytest

from forensics.demo import DEMO_CASES
from forensics.errors import InputError
from forensics.report.notebooks import notebook_path
from forensics.report.running.own_cells import HEADING, check_own_notebook, own_cells
from forensics.report.running.runner import run_report
from forensics.seal import seal, verify

CASE = DEMO_CASES["cannot-tell"]


def _mine(folder: Path, **more: str) -> Path:
    book = nbformat.read(str(notebook_path("incident")), as_version=4)
    book.metadata["authors"] = [{"name": "A. Engineer <b>"}]
    note = nbformat.v4.new_markdown_cell("# My note\n\nSeen on site: <script>alert(1)</script>")
    table = nbformat.v4.new_code_cell(more.get("code", "work.verdict.status.value"))
    for cell in (note, table):
        cell.metadata["tags"] = ["own"]
    book.cells[-1:-1] = [note, table]
    path = folder / "mine.ipynb"
    nbformat.write(book, str(path))
    return path


def test_a_notebook_whose_other_cells_were_changed_is_refused(tmp_path: Path) -> None:
    book = nbformat.read(str(notebook_path("incident")), as_version=4)
    book.cells[-1].source = "print('nothing is written')"
    book.cells.append(nbformat.v4.new_code_cell("1 + 1"))
    nbformat.write(book, str(tmp_path / "changed.ipynb"))
    with pytest.raises(InputError) as fault:
        check_own_notebook(tmp_path / "changed.ipynb", notebook_path("incident"))
    assert len(fault.value.problems) == 3
    check_own_notebook(_mine(tmp_path), notebook_path("incident"))


def test_no_own_cell_no_section() -> None:
    assert own_cells(nbformat.read(str(notebook_path("incident")), as_version=4)).as_section("x") == []


@pytest.mark.slow
def test_own_cells_reach_the_page_under_their_author_and_are_sealed(tmp_path: Path) -> None:
    shutil.copytree(CASE.parent, tmp_path / "case")
    done = run_report(tmp_path / "case" / "case.toml", tmp_path / "case" / "report", own=_mine(tmp_path))
    page = done.report.read_text(encoding="utf-8")
    body = page[page.index(f">{HEADING}</h2>") :]
    assert "Added by A. Engineer &lt;b&gt;" in body
    assert "no part of what the workbook checked" in body
    assert "undetermined" in body
    assert "<script>alert" not in page
    bag = seal(done.out, tmp_path / "bag", by="test", case=tmp_path / "case" / "case.toml")
    outcome = verify(bag)
    assert outcome.sound, outcome.text
