"""Tables whose cells have types, handed to the same judgement as text: their layout, their stamps, their columns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Source
from forensics.intake.result import Detection, SetAside
from forensics.intake.table.decimal_mark import MarkDecision, decide_marks
from forensics.intake.table.dialect_model import Dialect, Note
from forensics.intake.table.parser import BlockReader
from forensics.intake.table.raw_table import Cells as Column
from forensics.intake.table.raw_table import Chunk, Times
from forensics.intake.table.records import RowText
from forensics.intake.table.row_filter import NO_TIME as NO_STAMP
from forensics.intake.table.row_filter import Wanted
from forensics.intake.table.time_columns import find_times
from forensics.intake.timestamps.fields import TIME_ONLY, Fields
from forensics.intake.typed import columnar
from forensics.intake.typed import workbook as workbooks
from forensics.intake.typed.cells import NO_TIME, Cells, CellTable, number_text, stamp_text
from forensics.intake.typed.workbook_cells import serial_dates

_SAMPLE_ROWS = 400
_TEXT_MAX = 2000
_SEPARATOR = "\x1f"  # unit separator (ISO/IEC 646): no cell holds it
_DAY_MS = 86_400_000
READERS: dict[str, Callable[[Path], CellTable]] = dict.fromkeys(columnar.SUFFIXES, columnar.read_columns)
"""What reads a file of one table by its ending; a further format is a module of its own and a line here."""
WORKBOOKS = workbooks.SUFFIXES | workbooks.REFUSED_SUFFIXES
TYPED = frozenset({*READERS, *WORKBOOKS})
"""Endings of files whose cells have types."""


def table_dialect(table: CellTable, source: Source) -> Dialect:
    """Layout of a typed table, in the form that text exports have.

    Parameters
    ----------
    table
        As a workbook or a column file gave it.
    source
        What the case file tells about time columns overrules what is seen.
    """
    raw = [
        name.rpartition(" [col ")[0] if name.endswith(f" [col {k}]") else name for k, name in enumerate(table.names, 1)
    ]
    found = Dialect(
        delimiter=_SEPARATOR,
        names=list(table.names),
        raw_names=raw,
        units={place: unit for place, unit in enumerate(table.units) if unit},
        header_line=table.header_row,
        data_line=int(table.row[0]) if len(table.row) else table.header_row + 1,
        sample=[
            RowText(int(table.row[at]), 1, "", [table.cell(place, at) for place in range(len(table.names))])
            for at in range(min(_SAMPLE_ROWS, len(table.row)))
        ],
        detections=[Detection(*detection) for detection in table.detections],
        notes=list(table.notes),
        preamble=[Note(row, text) for row, text in table.preamble],
    )
    if source.time_column and table.header_row:
        lettered = tuple(_by_letter(name, table.names) for name in source.time_column)
        source = source.model_copy(update={"time_column": lettered})
    find_times(found, source)
    if not source.time_column and not found.time_columns:
        dated = [place for place, cells in enumerate(table.columns) if cells.wall_ns is not None]
        if dated:
            found.time_columns, found.candidates = dated[:1], dated
    if table.units:
        found.detections.append(
            Detection("units row", f"row {table.header_row + 1}", ", ".join(table.units)[:_TEXT_MAX])
        )
    return found


def _by_letter(name: str, names: tuple[str, ...]) -> str:
    """The column that a sheet's letter means, where no column has that name."""
    letters = name.strip().upper()
    if name in names or not letters.isascii() or not letters.isalpha() or len(letters) > 3:  # noqa: PLR2004 - up to XFD
        return name
    place = 0
    for letter in letters:
        place = place * 26 + ord(letter) - 64
    return names[place - 1] if place <= len(names) else name


def open_table(file: Path, source: Source, wanted: Sequence[str]) -> CellTable:
    """Read the typed table of a workbook or a column file.

    Parameters
    ----------
    wanted
        Column names that the case binds in this source.

    Raises
    ------
    SheetQuestion
        The file can't be read, or a question stands; ``problem(path)`` gives it.
    """
    reader = READERS.get(file.suffix.casefold())
    if reader is not None:
        return reader(file)
    told = source.time_number or ""
    return workbooks.read_sheet(
        file, sheet=source.sheet, wanted=wanted, times=source.time_column,
        system=told if told.startswith("days") else "",
    )  # fmt: skip


def marks_of(table: CellTable, wanted: Wanted, source: Source) -> MarkDecision:
    """Marks of the numbers that stand as text in a typed table; real numbers among them tell nothing about marks."""
    cells: list[tuple[int, int, str]] = []
    final = True
    for place in wanted.numbers:
        column = table.columns[place]
        if column.words is not None:
            final = False
            head = column.words[:_SAMPLE_ROWS].to_pylist()
            cells.extend((place, int(table.row[at]), text or "") for at, text in enumerate(head))
        cells.extend((place, int(table.row[at]), text) for at, text in column.text.items())
    return replace(decide_marks(source, cells), final=final)


def row_texts(table: CellTable, rows: Sequence[int]) -> dict[int, str]:
    """Text of some rows, by their number in the file: what two rows with equal stamps are compared by."""
    place_of = np.searchsorted(table.row, np.asarray(rows, dtype=np.int64))
    places = range(len(table.names))
    return {
        int(row): _SEPARATOR.join(table.cell(place, int(at)) for place in places)
        for row, at in zip(rows, place_of, strict=True)
    }


def gather_table(table: CellTable, reader: BlockReader, source: Source) -> None:
    """Hand a typed table to the reader of an export, which keeps, drops or sets aside its rows.

    Parameters
    ----------
    table
        The table that the reader's dialect was made of.
    reader
        Takes the rows as if they came from blocks of text; its ``gathered`` is filled.
    """
    gathered = reader.gathered
    aside = [row for row in table.set_aside if row[1] != "units row"]
    gathered.rows_read += len(table.row) + len(aside)
    gathered.aside.extend(SetAside(reader.path, row, reason, text) for row, reason, text in aside)
    told = source.time_number
    system = told if told in ("days-1900", "days-1904") else "" if told else table.date_system
    times: list[Cells] = []
    for place in reader.wanted.time:
        cells, said = serial_dates(table.columns[place], system) if system else (table.columns[place], "")
        times.append(cells)
        if said:
            gathered.notes.append(f"column '{table.names[place]}': {said}")
    count = len(table.row)
    read = [place for place in reader.wanted.all() if place not in reader.wanted.time or place in reader.wanted.texts]
    columns = {place: _column(table.columns[place], count, reader, place) for place in read}
    local = _wall(times, sparse=reader.dialect.sparse_dates)
    if local is not None:
        piece = Chunk(table.row + reader.base, _settled(local, instant=times[0].instant), columns)
        finest = [cells.resolution_ns for cells in times if cells.resolution_ns]
        gathered.resolution_ns = min(finest, default=gathered.resolution_ns)
        bad = local == NO_TIME
    else:
        texts = {place: _texts(cells, count) for place, cells in zip(reader.wanted.time, times, strict=True)}
        fields: Fields = reader.stamps(texts)
        bad = (fields.form < 0) | (fields.form == TIME_ONLY)
        for name, place in fields.bad_months.items():
            gathered.bad_months.setdefault(
                name, (reader.base + int(table.row[place]), table.cell(reader.wanted.time[0], place))
            )
        if not bad.all():
            piece = reader.chunk(table.row + reader.base, fields, {**columns, **texts}, ~bad if bad.any() else None)
            reader.keep_chunk(piece)
        bad_piece = np.flatnonzero(bad)
        gathered.aside.extend(_set_aside(table, reader, int(at)) for at in bad_piece)
        return
    for at in np.flatnonzero(bad):
        gathered.aside.append(_set_aside(table, reader, int(at)))
    if not bad.all():
        reader.keep_chunk(piece.take(~bad) if bad.any() else piece)


def _set_aside(table: CellTable, reader: BlockReader, at: int) -> SetAside:
    cells = [table.cell(place, at) for place in range(len(table.names))]
    reason = NO_STAMP if any(cells) else "blank line"
    return SetAside(
        reader.path, int(table.row[at]), reason, _SEPARATOR.join(cells).replace(_SEPARATOR, " ").strip()[:_TEXT_MAX]
    )


def _settled(local: NDArray[np.int64], *, instant: bool) -> Times:
    return Times(local, np.zeros(len(local), np.int32) if instant else None, None)


def _wall(times: list[Cells], *, sparse: bool) -> NDArray[np.int64] | None:
    """Wall-clock time of every row where the cells are dates (and fractions of a day); None where text must be read."""
    first = times[0]
    if first.wall_ns is None or first.number is not None or first.words is not None or first.text:
        return None
    if len(times) == 1:
        return first.wall_ns
    second = times[1]
    plain = second.number is not None and second.wall_ns is None and second.words is None and not second.text
    if len(times) > 2 or not plain or second.number is None:  # noqa: PLR2004 - a date and a time
        return None
    fraction = second.number
    day = first.wall_ns
    if sparse:  # an empty cell under a date, also one of a merged range, has that date
        last = np.maximum.accumulate(np.where(day != NO_TIME, np.arange(len(day)), -1))
        day = np.where(last >= 0, day[np.maximum(last, 0)], NO_TIME)
    known = (day != NO_TIME) & (fraction >= 0) & (fraction < 1)
    time_ns = np.round(np.where(known, fraction, 0.0) * _DAY_MS).astype(np.int64) * 1_000_000
    return np.where(known, day + time_ns, NO_TIME)


def _texts(cells: Cells, count: int) -> Any:
    """A column of stamps as text, dates written year first."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if cells.words is not None:
        words = cells.words.cast(pa.string()) if pa.types.is_dictionary(cells.words.type) else cells.words
        return pc.fill_null(words, "")
    out = [""] * count
    if cells.number is not None:
        for at in np.flatnonzero(~np.isnan(cells.number)):
            out[at] = _time_text(float(cells.number[at]))
    if cells.wall_ns is not None:
        for at in np.flatnonzero(cells.wall_ns != NO_TIME):
            out[at] = stamp_text(int(cells.wall_ns[at]))
    for place_of, text in cells.text.items():
        out[place_of] = text
    return pa.array(out, pa.string())


def _time_text(value: float) -> str:
    """A fraction of a day as a time of day; any other number as it is."""
    if not 0.0 <= value < 1.0:
        return number_text(value)
    total = min(round(value * _DAY_MS), _DAY_MS - 1)
    return f"{total // 3_600_000:02d}:{total // 60_000 % 60:02d}:{total // 1000 % 60:02d}.{total % 1000:03d}"


def _column(cells: Cells, count: int, reader: BlockReader, place: int) -> Column:
    """A column in the form that the judgement takes: float64 where all are numbers, else text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if cells.words is not None:
        words = pc.fill_null(cells.words, "")
        if place in reader.wanted.words:
            return words if pa.types.is_dictionary(words.type) else words.dictionary_encode()
        return words.cast(pa.string()) if pa.types.is_dictionary(words.type) else words
    numeric = cells.wall_ns is None and not cells.text
    if numeric and place in reader.wanted.numbers:
        return cells.number if cells.number is not None else np.full(count, np.nan)
    out = [""] * count
    if cells.number is not None:
        mark = reader.gathered.decimal
        out = ["" if value != value else number_text(value).replace(".", mark) for value in cells.number.tolist()]
    if cells.wall_ns is not None:
        for at in np.flatnonzero(cells.wall_ns != NO_TIME):
            out[at] = stamp_text(int(cells.wall_ns[at]))
    for place_of, text in cells.text.items():
        out[place_of] = text
    array = pa.array(out, pa.string())
    return array.dictionary_encode() if place in reader.wanted.words else array
