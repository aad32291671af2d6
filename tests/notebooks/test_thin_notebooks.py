"""Notebooks are thin: calls only, outputs cleared, one parameters cell, nothing of a machine in them."""

from __future__ import annotations

import ast
from pathlib import Path

import nbformat
import pytest

from forensics.report.notebooks import assigned_names, notebook_path

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("*.ipynb"))
FORBIDDEN = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.For, ast.While, ast.Try, ast.With, ast.Lambda)


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def book(request: pytest.FixtureRequest) -> nbformat.NotebookNode:
    read = nbformat.read(str(request.param), as_version=4)
    nbformat.validate(read)
    return read


def test_there_is_the_incident_notebook_and_bench_sheets() -> None:
    assert {"incident", "intake", "clocks", "starts_and_stops", "waveform"} <= {path.stem for path in NOTEBOOKS}
    assert notebook_path("incident").is_file()


def test_a_code_cell_is_a_call(book: nbformat.NotebookNode) -> None:
    for cell in book.cells:
        if cell.cell_type != "code":
            continue
        lines = [line for line in cell.source.splitlines() if line.strip()]
        assert len(lines) <= 6, cell.source
        tree = ast.parse(cell.source)
        assert not [node for node in ast.walk(tree) if isinstance(node, FORBIDDEN)], cell.source
        if "parameters" not in cell.metadata.get("tags", []):
            assert [node for node in ast.walk(tree) if isinstance(node, ast.Call | ast.Attribute)], cell.source


def test_outputs_are_cleared_and_one_cell_holds_the_parameters(book: nbformat.NotebookNode) -> None:
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    assert not [cell for cell in code if cell.outputs or cell.execution_count]
    tagged = [cell for cell in code if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
    assert assigned_names(tagged[0].source)
    assert code[0] is tagged[0]


def test_the_kernel_is_any_python(book: nbformat.NotebookNode) -> None:
    assert book.metadata.kernelspec.name == "python3"
    assert set(book.metadata) <= {"kernelspec", "language_info"}
