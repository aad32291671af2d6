"""Finds the notebooks that ship, and reads and checks the parameters that one takes."""

from __future__ import annotations

import ast
import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forensics.errors import InputError, Problem, RunError

if TYPE_CHECKING:
    from nbformat import NotebookNode

ADDED = frozenset({"injected-parameters", "papermill-error-cell-tag"})


def notebook_path(name: str) -> Path:
    """Path of a notebook that ships: inside the installed package, or beside it in a clone.

    Raises
    ------
    InputError
        There is no such notebook.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "notebooks", package.parent / "notebooks"):
        found = folder / f"{name}.ipynb"
        if found.is_file():
            return found
    raise InputError([Problem(f"there is no notebook '{name}'", remedy="Install the package again.")])


def read_notebook(path: Path) -> NotebookNode:
    """Read a notebook file; a fault names it."""
    import nbformat

    try:
        notebook: NotebookNode = nbformat.read(str(path), as_version=4)  # type: ignore[no-untyped-call]
        return notebook
    except FileNotFoundError:
        raise InputError([Problem("the notebook is not there", file=path.name)]) from None
    except (OSError, ValueError, nbformat.ValidationError) as fault:
        raise InputError([Problem(f"can't be read as a notebook: {fault}", file=path.name)]) from None


def check_parameters(notebook: NotebookNode, parameters: Mapping[str, Any], name: str) -> None:
    """Refuse parameters that the notebook would not take: papermill itself only warns and runs on the defaults.

    Raises
    ------
    InputError
        No cell is tagged ``parameters``, more than one is, a parameter is not assigned in it, or a cell below assigns
        it again; all at once.
    """
    cells = [c for c in notebook.cells if c.cell_type == "code"]
    tagged = [c for c in cells if "parameters" in c.metadata.get("tags", [])]
    if len(tagged) != 1:
        raise InputError([_untagged(cells, parameters, name, len(tagged))])
    known = assigned_names(tagged[0].source)
    problems = []
    for given in parameters:
        if given not in known:
            near = difflib.get_close_matches(given, known, n=1)
            hint = f" (did you mean '{near[0]}'?)" if near else f" (it has: {', '.join(known)})"
            problems.append(Problem(f"{name} has no parameter '{given}'{hint}."))
    problems += _overwritten(notebook, tagged[0], parameters, name)
    if problems:
        raise InputError(problems)


def _overwritten(
    notebook: NotebookNode, tagged: NotebookNode, parameters: Mapping[str, Any], name: str
) -> list[Problem]:
    """A problem for each parameter that a cell below the tagged one assigns again."""
    problems = []
    place = notebook.cells.index(tagged)
    for number, cell in enumerate(notebook.cells, start=1):
        if number - 1 <= place or cell.cell_type != "code":
            continue
        for row, given in assigned_at(cell.source):
            if given in parameters:
                text = f"the value {given}={parameters[given]!r} would be overwritten by line {row} of cell {number}."
                problems.append(Problem(f"{name}: {text}", remedy="Give the result another name."))
    return problems


def _untagged(cells: list[NotebookNode], parameters: Mapping[str, Any], name: str, count: int) -> Problem:
    if count > 1:
        return Problem(f"{name} has {count} cells tagged 'parameters'; one is needed.")
    text = f"{name} has no cell tagged 'parameters'"
    for number, cell in enumerate(cells, start=1):
        for row, line in enumerate(cell.source.splitlines(), start=1):
            for given, value in parameters.items():
                if given in assigned_names(line):
                    text += f"; the value {given}={value!r} would be overwritten by line {row} of cell {number}."
                    return Problem(text, remedy="Tag the cell that holds the parameters.")
    return Problem(f"{text}.", remedy="Tag the cell that holds the parameters.")


def assigned_names(source: str) -> list[str]:
    """Names that a piece of code assigns at its top level, in order; none where it is not Python."""
    return [name for _, name in assigned_at(source)]


def assigned_at(source: str) -> list[tuple[int, str]]:
    """Line and name of what a piece of code assigns at its top level, in order; none where it is not Python."""
    try:
        body = ast.parse(source).body
    except SyntaxError:
        return []
    found: list[tuple[int, str]] = []
    for node in body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        found += [(node.lineno, target.id) for target in targets if isinstance(target, ast.Name)]
    return found


def check_injected(notebook: NotebookNode, parameters: Mapping[str, Any]) -> None:
    """After a run: the injected cell must hold the values that were passed, of the same type.

    Raises
    ------
    RunError
        It does not; every parameter that differs is named.
    """
    injected = [c for c in notebook.cells if "injected-parameters" in c.metadata.get("tags", [])]
    held: dict[str, Any] = {}
    for cell in injected:
        for node in ast.parse(cell.source).body:
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                held[node.targets[0].id] = ast.literal_eval(node.value)
    wrong = [n for n, v in parameters.items() if n not in held or type(held[n]) is not type(v) or held[n] != v]
    if wrong:
        raise RunError(f"the run did not use the values that were passed: {', '.join(wrong)}")
