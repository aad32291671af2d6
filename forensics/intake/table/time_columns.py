"""Which columns of a table make its stamps."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from forensics.case.exports import Source
from forensics.intake.lexicon import plain, read_words
from forensics.intake.result import Detection
from forensics.intake.table.dialect_model import Dialect, column_index
from forensics.intake.table.headers import stamp_forms
from forensics.intake.table.records import RowText
from forensics.intake.timestamps.fields import EPOCH, FIXED, OPEN, TIME_ONLY
from forensics.intake.timestamps.split_columns import FRACTION, OFFSET, WRITTEN_OFFSET

_SHARE = 0.6
_LOOK_AT_DATES = 60


@dataclass(slots=True)
class _ByForm:
    """Columns by what their cells hold: whole stamps, dates, times, numbers, day numbers, fractions, sparse dates."""

    whole: list[int] = field(default_factory=list)
    dates: list[int] = field(default_factory=list)
    times: list[int] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    days: list[int] = field(default_factory=list)
    fractions: list[int] = field(default_factory=list)
    sparse: list[int] = field(default_factory=list)


def _by_form(dialect: Dialect, rows: Sequence[RowText], names: frozenset[str]) -> _ByForm:
    out = _ByForm()
    for column in range(dialect.width):
        forms = stamp_forms(rows, column)
        cells = [row.fields[column].strip() for row in rows if row.fields]
        named = plain(re.sub(r"[\(\[].*", "", dialect.raw_names[column])) in names
        if _most(forms, (FIXED, OPEN)):
            has_time = sum(bool(re.search(r"\d[:h.]\d{2}|\d{6}", cell.split(" ", 1)[-1])) for cell in cells)
            bare = all(re.fullmatch(r"[\d]{1,4}[-/.][\d]{1,2}[-/.][\d]{1,4}|\d{8}", cell) for cell in cells if cell)
            (out.dates if bare or not has_time else out.whole).append(column)
        elif _changing_dates(forms, cells):
            (out.sparse if TIME_ONLY not in forms else out.whole).append(column)
        elif _most(forms, (TIME_ONLY,)):
            out.times.append(column)
        elif named and _most(forms, (EPOCH,)):
            (out.days if all(re.fullmatch(r"\d{5}|", cell) for cell in cells) else out.numbers).append(column)
        elif named and cells and sum(bool(FRACTION.fullmatch(cell)) for cell in cells) >= _SHARE * len(cells):
            out.fractions.append(column)
    return out


def find_times(dialect: Dialect, source: Source) -> None:
    """Find the columns whose texts make the stamp: those that the case gives, else by their cells."""
    if source.time_column:
        found = [column_index(dialect, name) for name in source.time_column]
        dialect.time_columns = [index for index in found if index is not None]
        if len(dialect.time_columns) != len(source.time_column):
            dialect.time_columns = []
        _find_sparse(dialect)
        return
    names = read_words().columns["time"]
    rows = [row for row in dialect.sample if row.fields and len(row.fields) >= dialect.width][:60]
    seen = _by_form(dialect, rows, names)
    whole, numbers, sparse = seen.whole, seen.numbers, seen.sparse
    dates, times, days, fractions = seen.dates, seen.times, seen.days, seen.fractions
    named_whole = [i for i in whole if plain(re.sub(r"[\(\[].*", "", dialect.raw_names[i])) in names]
    dates, times = dates or days or (sparse if times or fractions else []), times or fractions
    chosen = whole or numbers
    if chosen:
        dialect.candidates = named_whole or chosen
        dialect.time_columns = [(named_whole or chosen)[0]]
    elif dates and times:
        dialect.time_columns = [dates[0], times[0]]
    elif dates:
        dialect.time_columns = [dates[0]]
    else:
        dialect.time_columns = [i for i, name in enumerate(dialect.raw_names) if plain(name) in names][:1]
        return
    if whole or dates:
        dialect.time_columns += _offsets_beside(dialect, rows)
    _find_sparse(dialect)
    dialect.detections.append(
        Detection(
            "time column",
            ", ".join(dialect.names[i] for i in dialect.time_columns),
            f"cells of the first {len(rows)} records read as stamps",
        )
    )


def _offsets_beside(dialect: Dialect, rows: Sequence[RowText]) -> list[int]:
    """The column that holds the offset of the stamps: by name and cells, or by cells that can be nothing else."""
    names = read_words().columns["offset"]
    for place, name in enumerate(dialect.raw_names):
        cells = [cell for row in rows if (cell := (row.fields or [])[place].strip())]
        form = OFFSET if plain(name) in names else WRITTEN_OFFSET
        if place not in dialect.time_columns and cells and all(map(form.fullmatch, cells)):
            return [place]
    return []


def _changing_dates(forms: Sequence[int], cells: Sequence[str]) -> bool:
    """Whether dates stand in a column only where they change: the first cell has one, most others none or a time."""
    told = [form for form, cell in zip(forms, cells, strict=True) if cell]
    dated = [form in (FIXED, OPEN) for form in told]
    if not told or not cells[0] or not dated[0] or any(form not in (FIXED, OPEN, TIME_ONLY) for form in told):
        return False
    return sum(dated) * 2 <= len(cells)


def _find_sparse(dialect: Dialect) -> None:
    """Note where the dates of the first records are written only when they change."""
    rows = [row for row in dialect.sample if row.fields and len(row.fields) >= dialect.width][:_LOOK_AT_DATES]
    if not dialect.time_columns or not rows:
        return
    column = dialect.time_columns[0]
    cells = [(row.fields or [])[column].strip() for row in rows]
    dialect.sparse_dates = _changing_dates(stamp_forms(rows, column), cells)
    if dialect.sparse_dates:
        shown = dialect.names[column]
        dialect.detections.append(
            Detection("dates", "written only when they change", f"column {shown}: each goes on until the next one")
        )


def _most(forms: Sequence[int], wanted: tuple[int, ...]) -> bool:
    return bool(forms) and sum(form in wanted for form in forms) >= _SHARE * len(forms)
