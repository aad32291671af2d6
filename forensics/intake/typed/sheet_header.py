"""Where the header of a sheet stands, and the names that it gives."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from forensics.errors import SheetQuestion
from forensics.intake.table.headers import is_stamp, is_units

if TYPE_CHECKING:
    pass

LOOK_ROWS = 200
MAX_TEXT = 200
Merge = tuple[tuple[int, int], tuple[int, int]]
Row = list[Any]


def text_in(cell: Any) -> str:
    """Text of a cell, its blanks as one; empty where it is none."""
    return " ".join(cell.split()) if isinstance(cell, str) else ""


def line_of(row: Row) -> str:
    """Cells of a row above the table as one line of text."""
    return ", ".join(str(cell) for cell in row if cell != "")[:MAX_TEXT]


def filled_in(row: Row) -> int:
    """Number of cells of a row that hold something."""
    return sum(cell != "" for cell in row)


def leaves_of(names: Iterable[str]) -> set[str]:
    """Names as they stand in one cell: without group and without column number."""
    return {re.sub(r"\s*\[col \d+\]$", "", " ".join(name.split())).rpartition(" / ")[2] for name in names} - {""}


def _is_header(row: Row) -> bool:
    return filled_in(row) > 0 and all(isinstance(cell, str) for cell in row)


def _may_name(row: Row, leaves: set[str]) -> bool:
    """Whether a row that holds names of the case may be a header: in a long log they stand in the records too."""
    if not leaves & {text_in(cell) for cell in row}:
        return False
    return not any(isinstance(cell, dt.datetime | dt.date) or is_stamp(text_in(cell)) for cell in row)


def header_rows(rows: list[Row], merges: list[Merge], wanted: list[str]) -> tuple[int, int]:
    """First and last index of the header block."""
    head = rows[:LOOK_ROWS]
    leaves = leaves_of(wanted)
    scores = [len(leaves & {text_in(cell) for cell in row}) if _may_name(row, leaves) else 0 for row in head]
    if scores and max(scores) > 0:
        at = scores.index(max(scores))
    else:
        first_data = next((k for k, row in enumerate(head) if filled_in(row) > 1 and not _is_header(row)), len(head))
        above = [(filled_in(row), -k) for k, row in enumerate(head[:first_data]) if _is_header(row)]
        if not above:
            above = [(filled_in(row), -k) for k, row in enumerate(head) if _is_header(row)]
        if not above:
            raise SheetQuestion("no header row was found", "Put the column names into one row above the readings.")
        at = -max(above)[1]
    width = max((len(row) for row in head), default=0)
    first = last = at
    for (top, left), (bottom, right) in merges:
        title = right - left + 1 >= width or bottom - top > 3  # noqa: PLR2004 - a header has a few rows
        if (
            not title
            and top <= at + 1
            and bottom >= at - 1
            and (top <= at <= bottom or (top == at - 1 and right > left))
        ):
            first, last = min(first, top), max(last, bottom)
            if top == at and right > left and bottom == top:
                last = max(last, at + 1) if at + 1 < len(rows) and _is_header(rows[at + 1]) else last
    return first, last


def names_of(rows: list[Row], merges: list[Merge], first: int, last: int) -> list[str]:
    """Names of the columns from the rows of the header block."""
    width = max(len(row) for row in rows[first : last + 1])
    parts: list[list[str]] = [[] for _ in range(width)]
    owner = {
        (row, column): (top, left)
        for (top, left), (bottom, right) in merges
        if bottom >= first and top <= last
        for row in range(top, bottom + 1)
        for column in range(left, min(right, width - 1) + 1)
    }
    for row in range(first, last + 1):
        for column in range(width):
            top, left = owner.get((row, column), (row, column))
            cells = rows[top]
            text = text_in(cells[left]) if left < len(cells) else ""
            if text and (not parts[column] or parts[column][-1] != text):
                parts[column].append(text)
    return [" / ".join(part) for part in parts]


def is_units_row(row: Row) -> bool:
    """Whether a row below the header gives units."""
    return all(isinstance(cell, str) for cell in row) and is_units([text_in(cell) for cell in row], below_names=True)
