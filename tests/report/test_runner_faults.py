"""Runs that must not pass for reports: wrong parameters, hanging cells, dead kernels, failing cells."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

import nbformat
import pytest

from forensics.errors import InputError, NotebookStopped, RunError
from forensics.report import run_report
from forensics.report.binding.page import bind
from forensics.report.running.execution import run_notebook
from forensics.report.running.failure import write_failure

PARAMETERS = nbformat.v4.new_code_cell("case = 'a'\nout = ''\nlimits = {}", metadata={"tags": ["parameters"]})


def notebook(path: Path, *cells: str, first: nbformat.NotebookNode = PARAMETERS) -> Path:
    book = nbformat.v4.new_notebook(cells=[first, *(nbformat.v4.new_code_cell(c) for c in cells)])
    nbformat.write(book, str(path))
    return path


def test_a_misspelt_parameter_is_refused_before_the_run(tmp_path: Path) -> None:
    book = notebook(tmp_path / "typo.ipynb", "raise SystemExit")
    with pytest.raises(InputError, match=r"typo.ipynb has no parameter 'limit' \(did you mean 'limits'\?\)") as fault:
        run_notebook(book, {"limit": {}, "zone": "x"})
    assert len(fault.value.problems) == 2


def test_a_notebook_without_the_tagged_cell_is_refused(tmp_path: Path) -> None:
    """Right value: EXPECT.md of folder 53 of the shared messy exports."""
    plain = nbformat.v4.new_code_cell("trend = 'ch2_2023.csv'")
    book = notebook(tmp_path / "untagged.ipynb", "print(trend)", first=plain)
    said = (
        "untagged.ipynb has no cell tagged 'parameters'; the value trend='ch2_2024.csv' would be overwritten by line 1 "
        "of cell 1."
    )
    with pytest.raises(InputError) as fault:
        run_notebook(book, {"trend": "ch2_2024.csv"})
    assert said in str(fault.value)


def test_values_reach_the_notebook_as_they_are(tmp_path: Path) -> None:
    """Right values: EXPECT.md of folders 51 and 76 of the shared messy exports."""
    given = {
        "a": "007",
        "b": "1.10",
        "c": "1E5",
        "d": "1_000",
        "e": "None",
        "f": "nan",
        "g": True,
        "h": r"new\trend\r1.csv",
    }
    first = nbformat.v4.new_code_cell("\n".join(f"{n} = ''" for n in given), metadata={"tags": ["parameters"]})
    book = notebook(tmp_path / "{typed}.ipynb", "print(repr([a, b, c, d, e, f, g, h]))", first=first)
    done = run_notebook(book, given)
    assert done.cells[-1].outputs[0]["text"].strip() == repr(list(given.values()))


@pytest.mark.parametrize(
    ("cell", "limit_s", "said"),
    [
        (
            "import time\nwhile True:\n    time.sleep(0.1)",
            2.0,
            r"cell 2 of bad.ipynb ran longer than 2 s and was stopped",
        ),
        (
            "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)",
            None,
            r"the kernel stopped in cell 2 of bad.ipynb .*big.csv, 9 MB",
        ),
        (
            "raise ValueError('oil pressure column missing')",
            None,
            r"stopped at cell 2 of 3: oil pressure column missing",
        ),
    ],
)
def test_a_run_that_stops_names_its_cell(tmp_path: Path, cell: str, limit_s: float | None, said: str) -> None:
    """Right values: EXPECT.md of folders 55 and 56 of the shared messy exports."""
    book = notebook(tmp_path / "bad.ipynb", cell, "print('3. Conclusion')")
    with pytest.raises(NotebookStopped, match=said) as fault:
        run_notebook(book, {}, cell_limit_s=limit_s, largest_input="big.csv, 9 MB")
    assert (fault.value.stopped.cell, fault.value.stopped.of) == (2, 3)


def test_a_notebook_that_ends_itself_without_an_error_has_not_finished(tmp_path: Path) -> None:
    book = notebook(tmp_path / "bad.ipynb", "print('1. Cover')", "raise SystemExit(0)", "print('3. Conclusion')")
    with pytest.raises(NotebookStopped, match="stopped at cell 3 of 4: the notebook ended itself"):
        run_notebook(book, {})


def test_a_cell_that_assigns_a_parameter_again_is_refused_before_the_run(tmp_path: Path) -> None:
    book = notebook(tmp_path / "again.ipynb", "print(case)", "x = 1\ncase = 'other.toml'", "raise SystemExit")
    with pytest.raises(InputError, match=r"again.ipynb: the value case='b' would be overwritten by line 2 of cell 3"):
        run_notebook(book, {"case": "b"})


def test_a_part_run_notebook_is_never_bound(tmp_path: Path) -> None:
    book = notebook(tmp_path / "bad.ipynb", "print('1. Cover')", "raise ValueError('oil pressure column missing')")
    with pytest.raises(NotebookStopped) as fault:
        run_notebook(book, {})
    with pytest.raises(RunError, match="no report"):
        bind(fault.value.notebook, title="x", made="")


def test_the_failure_page_says_so_on_its_first_screen_and_touches_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "report.html").write_text("an older report")
    write_failure(tmp_path, "case-1", RunError("stopped at cell 3 of 4: oil <b>missing</b>"), made="")
    page = (tmp_path / "report.FAILED.html").read_text()
    assert "<h1>NOT A REPORT: stopped at cell 3 of 4: oil &lt;b&gt;missing&lt;/b&gt;</h1>" in page
    assert "older one" in page
    assert (tmp_path / "report.html").read_text() == "an older report"


BAD_CASE = """
schema = 1
[case]
id = "x"
time_zone = "Mars/Olympus"
[machine]
refrigerant = "R134a"
colour = "blue"
[[source]]
path = "C:\\new\\trend.csv"
"""


def test_a_bad_case_file_lists_every_problem_and_leaves_the_older_report(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "report.html").write_bytes(b"older")
    before = hashlib.sha256((out / "report.html").read_bytes()).hexdigest()
    case = tmp_path / "case.toml"
    case.write_text(BAD_CASE)
    with pytest.raises(InputError) as fault:
        run_report(case, out, now=lambda: datetime(2031, 1, 1, tzinfo=UTC))
    assert len(fault.value.problems) == 3
    assert "use single quotes or forward slashes" in str(fault.value)
    assert hashlib.sha256((out / "report.html").read_bytes()).hexdigest() == before
    page = (out / "report.FAILED.html").read_text()
    assert "NOT A REPORT" in page
    assert "Mars/Olympus" in page


def test_a_missing_case_file_makes_no_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="the case file is not there"):
        run_report(tmp_path / "case.toml", tmp_path / "out")
    assert not (tmp_path / "out").exists()
