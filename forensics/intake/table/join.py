"""The tables of several files of one logger as one table: rows numbered file by file, columns by those of the first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from forensics.intake.lexicon import plain
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.raw_table import Chunk, FileCounts, RawTable
from forensics.intake.table.row_filter import Wanted
from forensics.intake.table.values import NO_COLUMN
from forensics.model.row_numbers import FILE_ROWS
from forensics.model.units import read_unit


@dataclass(frozen=True, slots=True)
class ColumnsOf:
    """Where the columns of the first file stand in another one; None where it lacks one."""

    place: Mapping[int, int | None]

    def wanted(self, wanted: Wanted) -> Wanted:
        """What is read of this file."""

        def here(columns: Sequence[int]) -> list[int]:
            return [found for column in columns if (found := self.place[column]) is not None]

        return Wanted(here(wanted.time), here(wanted.numbers), here(wanted.words), here(wanted.texts))


def columns_of(first: Dialect, other: Dialect) -> ColumnsOf:
    """Find the columns of the first file in another by name; by place where it has no header but as many fields."""
    if not other.header_line and first.header_line and other.width == first.width:
        return ColumnsOf({column: column for column in range(first.width)})
    names = [plain(name) for name in other.names]
    place: dict[int, int | None] = {}
    for column, name in enumerate(first.names):
        hits = [i for i, have in enumerate(names) if have == plain(name)]
        place[column] = hits[0] if hits else None
    return ColumnsOf(place)


def in_columns_of_first(table: RawTable, columns: ColumnsOf, wanted: Wanted, line: int) -> None:
    """Number the columns of a table as those of the first file; what it lacks is missing, and says so.

    Parameters
    ----------
    line
        Line of its header.
    """
    import pyarrow as pa

    pieces = []
    for piece in table.pieces:
        cells: dict[int, Any] = {}
        for column in wanted.all():
            place = columns.place[column]
            if place is None:
                cells[column] = pa.array([f"{NO_COLUMN}{line}"] * len(piece.row), pa.string())
            elif place in piece.columns:
                cells[column] = piece.columns[place]
        pieces.append(Chunk(piece.row, piece.times, cells))
    table.pieces = pieces
    back = {place: column for column, place in columns.place.items()}
    table.unit_changes = {back[at]: change for at, change in table.unit_changes.items() if at in back}


def note_other_units(table: RawTable, first: Dialect, other: Dialect, columns: ColumnsOf, base: int) -> None:
    """Note the columns whose units row says another unit than that of the first file."""
    for column, place in columns.place.items():
        if place is None:
            continue
        before, now = read_unit(first.units.get(column, "")), read_unit(other.units.get(place, ""))
        if before is not None and now is not None and (before.factor, before.datum) != (now.factor, now.datum):
            table.unit_changes.setdefault(column, (base + other.data_line, before.text, now.text))


def joined(tables: Sequence[RawTable], paths: Sequence[str]) -> RawTable:
    """One table of several; ``tables`` have their columns numbered alike and their rows apart."""
    out = RawTable(decimal=tables[0].decimal, orders=tables[0].orders)
    for number, (table, path) in enumerate(zip(tables, paths, strict=True), start=1):
        out.rows_read += table.rows_read
        out.pieces += table.pieces
        out.aside += table.aside
        out.outside += table.outside
        out.rising += table.rising
        out.falling += table.falling
        out.resolution_ns = min(filter(None, (out.resolution_ns, table.resolution_ns)), default=0)
        out.unknown_zones += table.unknown_zones
        out.month_names |= table.month_names
        out.careful_rows += table.careful_rows
        out.numeric |= table.numeric
        out.first_stamp = out.first_stamp or table.first_stamp
        out.shapes += [shape for shape in table.shapes if shape not in out.shapes]
        for name, seen in table.bad_months.items():
            out.bad_months.setdefault(name, seen)
        for column, (line, before, now) in table.unit_changes.items():
            row = line if line >= FILE_ROWS else number * FILE_ROWS + line
            out.unit_changes.setdefault(column, (row, before, now))
        out.notes += [f"{path}: {note}" for note in table.notes]
        ends = [end for end in (table.first_local, table.last_local) if end is not None]
        if ends:
            out.first_local = min(ends) if out.first_local is None else min(out.first_local, *ends)
            out.last_local = max(ends) if out.last_local is None else max(out.last_local, *ends)
        out.files.append(FileCounts(path, table.rows_read, table.outside, table.first_local, table.last_local))
    return out
