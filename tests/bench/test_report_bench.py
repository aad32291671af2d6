"""From the demonstration to its finished report, against an empty run that imports the same big libraries."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import nbformat
import pytest

pytestmark = pytest.mark.bench

MOST_TIMES = 4.0
ROUNDS = 3


def seconds(*command: str, cwd: Path) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, *command], check=True, capture_output=True, cwd=cwd)
    return time.perf_counter() - began


def test_a_report_takes_at_most_four_empty_runs(tmp_path: Path, root: Path) -> None:
    """Ratio of medians of whole processes in one run: both start an interpreter, papermill and a kernel."""
    empty = tmp_path / "empty.ipynb"
    source = "import pandas\nimport plotly.graph_objects\nimport scipy.signal\nimport scipy.optimize"
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(source)])
    book.metadata = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    nbformat.write(book, str(empty))
    plain, whole = [], []
    for n in range(ROUNDS):
        plain.append(seconds("-m", "papermill", str(empty), str(tmp_path / "done.ipynb"), cwd=root))
        whole.append(seconds("-m", "forensics", "demo", "--out", str(tmp_path / f"out{n}"), cwd=root))
    ratio = sorted(whole)[ROUNDS // 2] / sorted(plain)[ROUNDS // 2]
    print(f"empty run {plain}, demonstration {whole}, ratio {ratio:.2f}")
    assert ratio <= MOST_TIMES
