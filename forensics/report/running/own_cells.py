"""Cells that an engineer added to the incident notebook: bound into the page under their author's name.

A cell tagged ``own`` is the engineer's: a note, a table, a figure. Every other cell must be the one that ships, so that
what the workbook says is what the workbook found. The author is the first of the notebook's ``authors`` (nbformat 4),
else the investigator of the case.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forensics.errors import InputError, Problem
from forensics.model.outside_text import for_page
from forensics.report.binding.markup import MARK, render
from forensics.report.notebooks import ADDED, read_notebook

if TYPE_CHECKING:
    from nbformat import NotebookNode

OWN = "own"
HEADING = "Notes of the engineer"
UNNAMED = "an author who is not named"
# what is an engineer's is text or a figure: HTML and scripts of a cell never reach the page
_KINDS = ("application/vnd.plotly.v1+json", "text/plain")


@dataclass(frozen=True)
class OwnCells:
    """Cells of an engineer as they were executed, and whose they are."""

    cells: tuple[dict[str, Any], ...] = ()
    author: str = ""

    def as_section(self, investigator: str) -> list[dict[str, Any]]:
        """Cells for the end of the page: a heading that tells them apart, and what they show; none without cells."""
        if not self.cells:
            return []
        text = (
            f"Added by {for_page(self.author or investigator or UNNAMED)}. These are notes of an engineer: they are no "
            "part of what the workbook checked, weighed or found, and nothing above rests on them."
        )
        note = f'<div class="sheet tex2jax_ignore">{render("note.html.j2", {"text": text})}</div>'
        shown = {
            "output_type": "display_data",
            "data": {"text/html": note},
            "metadata": {MARK: {"role": "block", "markup": True}},
        }
        head = {"cell_type": "markdown", "metadata": {}, "source": f"## {HEADING}"}
        return [head, {"cell_type": "code", "metadata": {}, "source": "", "outputs": [shown]}, *self.cells]


def own_cells(notebook: NotebookNode) -> OwnCells:
    """The engineer's cells of an executed notebook."""
    cells: list[dict[str, Any]] = []
    for cell in notebook["cells"]:
        if OWN not in cell.get("metadata", {}).get("tags", []):
            continue
        source = cell["source"] if isinstance(cell["source"], str) else "".join(cell["source"])
        if cell["cell_type"] == "markdown":
            # headings of the engineer do not become sections of the report
            lines = [f"###{line}" if line.startswith("#") else line for line in source.splitlines()]
            cells.append({"cell_type": "markdown", "metadata": {}, "source": "\n".join(lines)})
        elif cell["cell_type"] == "code":
            place = len(cells) + 1
            found = [_shown(o, f"own-{place}-{n}") for n, o in enumerate(cell.get("outputs", []), start=1)]
            outputs = [shown for shown in found if shown is not None]
            cells.append({"cell_type": "code", "metadata": {}, "source": "", "outputs": outputs})
    return OwnCells(tuple(cells), _author(notebook))


def _shown(output: Mapping[str, Any], key: str) -> dict[str, Any] | None:
    if output["output_type"] not in ("display_data", "execute_result"):
        return dict(output) if output["output_type"] == "stream" else None
    data = {kind: output["data"][kind] for kind in _KINDS if kind in output["data"]}
    about = {MARK: {"role": "figure", "key": key}} if _KINDS[0] in data else {}
    return {"output_type": "display_data", "data": data, "metadata": about}


def _author(notebook: NotebookNode) -> str:
    authors = notebook.get("metadata", {}).get("authors") or []
    first = authors[0] if isinstance(authors, list) and authors else {}
    return str(first.get("name", "")) if isinstance(first, Mapping) else ""


def check_own_notebook(path: Path, shipped: Path) -> None:
    """Refuse an engineer's notebook whose other cells are not those that ship.

    Raises
    ------
    InputError
        It can't be read, or cells were changed, taken away or added without the tag: every one of them.
    """
    mine, ours = read_notebook(path), read_notebook(shipped)
    kept = Counter(_key(cell) for cell in mine.cells if not _free(cell))
    wanted = Counter(_key(cell) for cell in ours.cells if not _free(cell))
    problems = []
    for number, cell in enumerate(mine.cells, start=1):
        if not _free(cell) and _key(cell) not in wanted:
            text = f"cell {number} is neither a cell of the incident notebook nor tagged '{OWN}'"
            remedy = f"Tag it '{OWN}', or give the cell back as it was; limits are given with --limit."
            problems.append(Problem(text, file=path.name, remedy=remedy))
    for kind, source in wanted - kept:
        first = source.splitlines()[0] if source else kind
        text = f"the cell that begins '{first[:60]}' is missing or was changed"
        problems.append(Problem(text, file=path.name, remedy="Copy it from the notebook that ships."))
    if problems:
        raise InputError(problems)


def _free(cell: NotebookNode) -> bool:
    tags = set(cell.get("metadata", {}).get("tags", []))
    return bool(tags & {OWN, "parameters", *ADDED}) or not cell["source"].strip()


def _key(cell: NotebookNode) -> tuple[str, str]:
    return str(cell["cell_type"]), str(cell["source"]).strip()
