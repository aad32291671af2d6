"""Every notebook runs: by the runner, and by plain papermill with its parameters alone."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

from forensics.demo import DEMO_CASES
from forensics.report.execution import run_notebook
from forensics.report.markup import PLOTLY_MIME
from forensics.report.notebooks import notebook_path
from forensics.report.page import bind

pytestmark = pytest.mark.slow
CASE = DEMO_CASES["loaded-starts"]


def figures(book: nbformat.NotebookNode) -> int:
    return sum(PLOTLY_MIME in o.get("data", {}) for c in book.cells for o in c.get("outputs", []))


@pytest.mark.parametrize(
    ("name", "parameters", "drawn"),
    [
        ("intake", {"rows": 5}, 0),
        ("clocks", {}, 1),
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
    assert figures(book) >= 10
    text = "".join(o.data.get("text/html", "") for c in book.cells for o in c.get("outputs", []) if "data" in o)
    assert "starts.unloaded_ratio_max = 0.45" in text
