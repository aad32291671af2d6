"""Every notebook runs: by the runner, and by plain papermill with its parameters alone."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

from forensics.demo import DEMO_CASES
from forensics.report.binding.markup import PLOTLY_MIME
from forensics.report.binding.page import bind
from forensics.report.notebooks import notebook_path
from forensics.report.running.execution import run_notebook
from forensics.report.running.runner import run_report

pytestmark = pytest.mark.slow
MADE = re.compile(r"Made [^<]+")
CASE = DEMO_CASES["loaded-starts"]


def figures(book: nbformat.NotebookNode) -> int:
    return sum(PLOTLY_MIME in o.get("data", {}) for c in book.cells for o in c.get("outputs", []))


@pytest.mark.parametrize(
    ("name", "parameters", "drawn"),
    [
        ("intake", {"rows": 5}, 0),
        ("clocks", {}, 0),
        ("starts_and_stops", {"start": 2, "stop": 2}, 6),
        ("waveform", {}, 1),
    ],
)
def test_bench_sheets_run_and_bind(name: str, parameters: dict[str, int], drawn: int) -> None:
    book = run_notebook(notebook_path(name), {"case": str(CASE), **parameters})
    assert figures(book) >= drawn
    page = bind(book, title=name, made="")
    assert page.count('class="plate"') == figures(book)


def test_the_incident_notebook_runs_under_plain_papermill(tmp_path: Path, root: Path) -> None:
    done = tmp_path / "done.ipynb"
    limits = json.dumps({"starts.unloaded_ratio_max": 0.45})
    command = [sys.executable, "-m", "papermill", str(notebook_path("incident")), str(done), "--no-progress-bar"]
    command += ["-r", "case", str(CASE), "-r", "out", str(tmp_path / "out"), "-r", "limits", limits]
    subprocess.run(command, check=True, capture_output=True, cwd=root)
    assert (tmp_path / "out" / "findings.json").is_file()
    assert (tmp_path / "out" / "set_aside.csv").is_file()
    book = nbformat.read(str(done), as_version=4)
    assert figures(book) >= 3
    assert "starts.unloaded_ratio_max = 0.45" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_notebook_run_by_hand_ends_with_the_same_results_as_the_command(tmp_path: Path, root: Path) -> None:
    by_hand, by_command = tmp_path / "by-hand", tmp_path / "by-command"
    command = [sys.executable, "-m", "papermill", str(notebook_path("incident")), str(tmp_path / "done.ipynb")]
    command += ["--no-progress-bar", "-p", "case", str(CASE), "-r", "out", str(by_hand), "-p", "tables", "True"]
    subprocess.run(command, check=True, capture_output=True, cwd=root)
    run_report(CASE, by_command, tables=True)
    names = {p.relative_to(by_command) for p in by_command.rglob("*") if p.is_file()}
    assert {p.relative_to(by_hand) for p in by_hand.rglob("*") if p.is_file()} == names - {Path("incident.ipynb")}
    for name in names - {Path("incident.ipynb"), Path("results.json"), Path("report.html")}:
        assert (by_hand / name).read_bytes() == (by_command / name).read_bytes(), name
    first, second = (MADE.sub("", (f / "report.html").read_text(encoding="utf-8")) for f in (by_hand, by_command))
    assert first == second
    made = json.loads((by_hand / "results.json").read_text(encoding="utf-8"))
    assert made["notebook"] == "not kept"
    assert "report.html" in made["results"]
    last = nbformat.read(str(tmp_path / "done.ipynb"), as_version=4).cells[-1]
    said = "".join(o.get("text", "") for o in last.outputs)
    assert str(by_hand) in said
    assert "determined" in said


def test_the_tutorial_goes_from_raw_exports_to_a_sealed_bag(tmp_path: Path) -> None:
    book = run_notebook(notebook_path("tutorial"), {"answers": str(CASE), "work_folder": str(tmp_path / "tutorial")})
    text = "".join(o.get("text", "") for c in book.cells for o in c.get("outputs", []))
    assert "QUESTION" in text
    assert "determined (unload-path-failed" in text
    assert "findings.json" in book.cells[-1].outputs[0]["text"]
    assert (tmp_path / "tutorial" / "report-sealed" / "bagit.txt").is_file()


def test_the_explorer_shows_sliders_and_writes_nothing(tmp_path: Path) -> None:
    case = tmp_path / "case"
    shutil.copytree(CASE.parent, case)
    before = sorted(case.rglob("*"))
    # a figure that was captured by its widget stopped this run for good: the limit tells that it does not any more
    book = run_notebook(notebook_path("explore"), {"case": str(case / "case.toml")}, cell_limit_s=120)
    shown = [o.data for c in book.cells for o in c.get("outputs", []) if "data" in o]
    assert sum("application/vnd.jupyter.widget-view+json" in data for data in shown) == 4
    assert sorted(case.rglob("*")) == before
    assert max(cell.metadata.papermill.duration or 0.0 for cell in book.cells) < 100
    state = book.metadata.widgets["application/vnd.jupyter.widget-state+json"]["state"].values()
    drawn = [m["state"]["outputs"] for m in state if m["model_name"] == "OutputModel"]
    assert len(drawn) == 3
    assert all(PLOTLY_MIME in outputs[0]["data"] for outputs in drawn)
