"""A table whose cells carry their own types, as workbooks and column files give it, before roles and units are bound.

Text files have no such table: there every cell is text. What is common to both begins after this point.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.lexicon import plain

DAY_NS = 86_400_000_000_000
NO_TIME = np.int64(-(2**63))


@dataclass(frozen=True, slots=True)
class Cells:
    """One column.

    Attributes
    ----------
    number
        float64, shape (n,): the cell's number; NaN where it is empty or text. None where the column holds no number.
    wall_ns
        int64, shape (n,): wall clock in ns since 1970 of cells that are dates, :data:`NO_TIME` elsewhere. None where
        the column holds no date.
    text
        Text of every cell that is neither number nor date, by position; an empty cell is absent.
    words
        pyarrow array of text, plain or dictionary-encoded, where the whole column is text; then ``text`` is empty.
    instant
        Whether ``wall_ns`` is UTC already (a column file says so); else it is local to the source's zone.
    resolution_ns
        Finest unit in which the dates are written.
    """

    number: NDArray[np.float64] | None = None
    wall_ns: NDArray[np.int64] | None = None
    text: Mapping[int, str] = field(default_factory=dict)
    words: Any = None
    instant: bool = False
    resolution_ns: int = 0


@dataclass(frozen=True, slots=True)
class CellTable:
    """Columns of equal length below their header.

    Attributes
    ----------
    names
        One for each column: ``group / name`` under two header rows, ``name [col 3]`` where a name comes twice.
    row
        int64: row of the sheet or of the column file, from 1, shape (n,).
    units
        Text of the units row by column; empty where there is none.
    set_aside
        Rows below the header that hold no record: (row, reason, text).
    header_row
        Row of the last header line, from 1; 0 where the file names its columns itself.
    preamble
        Rows above the header that hold something: (row, text).
    date_system
        ``days-1900``, ``days-1904`` or empty: how day numbers of this file count.
    """

    names: tuple[str, ...]
    columns: tuple[Cells, ...]
    row: NDArray[np.int64]
    units: tuple[str, ...] = ()
    set_aside: tuple[tuple[int, str, str], ...] = ()
    header_row: int = 0
    preamble: tuple[tuple[int, str], ...] = ()
    date_system: str = ""
    notes: tuple[str, ...] = ()
    detections: tuple[tuple[str, str, str], ...] = ()

    def cell(self, place: int, position: int) -> str:
        """Text of one cell, as it is shown and listed."""
        cells = self.columns[place]
        if cells.words is not None:
            return str(cells.words[position].as_py() or "")
        if position in cells.text:
            return cells.text[position]
        if cells.wall_ns is not None and cells.wall_ns[position] != NO_TIME:
            text = stamp_text(int(cells.wall_ns[position]))
            return text[:10] if cells.resolution_ns >= DAY_NS else text
        if cells.number is not None and not np.isnan(cells.number[position]):
            return number_text(float(cells.number[position]))
        return ""

    def column(self, name: str) -> Cells | None:
        """The column of a name, or None."""
        return self.columns[self.names.index(name)] if name in self.names else None


def number_text(value: float) -> str:
    """A number as a cell shows it: no decimals where it is whole."""
    return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)  # noqa: PLR2004 - exact floats


def stamp_text(wall_ns: int) -> str:
    """A wall-clock time, year first, without zone."""
    return str(np.datetime64(wall_ns, "ns")).replace("T", " ").rstrip("0").rstrip(".")


def unique_columns(names: list[str]) -> tuple[str, ...]:
    """Names with their column number where a name comes twice; a column without name is called by its number."""
    shown = [name or f"column {place}" for place, name in enumerate(names, start=1)]
    counts = Counter(plain(name) for name in shown)
    return tuple(
        f"{name} [col {place}]" if counts[plain(name)] > 1 else name for place, name in enumerate(shown, start=1)
    )
