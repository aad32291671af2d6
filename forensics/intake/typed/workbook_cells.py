"""What the cells of a sheet's column are: numbers, wall-clock times, text; and which plain numbers are day numbers."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.typed.cells import NO_TIME, Cells

_DAY_NS = 86_400_000_000_000
_MS_NS = 1_000_000
_EPOCH_DAY = {"days-1900": 25569, "days-1904": 24107}  # serial of 1970-01-01
_SERIAL_DAYS = (20_000.0, 80_000.0)  # 1954 to 2119 in the 1900 system: outside, a number is no day number
_BASE_DAYS = 1462  # 1904-01-01 after 1899-12-30


def cells_of(column: list[Any]) -> Cells:
    """Sort the cells of a column by what they are; a column of one type costs one pass."""
    import pyarrow as pa

    try:
        number = pa.array(column, pa.float64()).to_numpy(zero_copy_only=False)
    except (pa.ArrowInvalid, pa.ArrowTypeError, TypeError):
        number = None
    # Text and dates are refused above, but True passes for 1.
    if number is not None and not (((number == 0) | (number == 1)).any() and bool in set(map(type, column))):
        return Cells(number=number)
    kinds = set(map(type, column))
    if kinds <= {dt.datetime, dt.date}:
        stamps = [cell if cell.__class__ is dt.datetime else _midnight(cell) for cell in column]
        wall_us = pa.array(stamps, pa.timestamp("us")).to_numpy(zero_copy_only=False).astype(np.int64)
        wall_ns = (wall_us + 500) // 1000 * _MS_NS
        return Cells(wall_ns=wall_ns, resolution_ns=_resolution(wall_ns))
    if kinds == {str}:
        return Cells(words=pa.array(column, pa.string()))
    return _mixed(column)


def _midnight(day: dt.date) -> dt.datetime:
    return dt.datetime(day.year, day.month, day.day)  # noqa: DTZ001 - the wall clock of a sheet has no zone


def _resolution(wall_ns: NDArray[np.int64]) -> int:
    known = wall_ns[wall_ns != NO_TIME]
    for unit in (_DAY_NS, 60_000_000_000, 1_000_000_000):
        if not (known % unit).any():
            return unit
    return _MS_NS


def _mixed(column: list[Any]) -> Cells:
    number = np.full(len(column), np.nan)
    wall_ns = np.full(len(column), NO_TIME, dtype=np.int64)
    text: dict[int, str] = {}
    count: Counter[str] = Counter()
    for at, cell in enumerate(column):
        if isinstance(cell, str):
            if cell.strip():
                text[at] = cell
        elif isinstance(cell, bool):
            text[at] = "TRUE" if cell else "FALSE"
        elif isinstance(cell, (int, float)):
            number[at] = float(cell)
            count["number"] += 1
        elif isinstance(cell, dt.datetime):
            wall_ns[at] = _wall(cell)
            count["date"] += 1
        elif isinstance(cell, dt.date):
            wall_ns[at] = _wall(dt.datetime(cell.year, cell.month, cell.day, tzinfo=dt.UTC))
            count["date"] += 1
        elif isinstance(cell, dt.time):
            text[at] = cell.isoformat(timespec="milliseconds" if cell.microsecond else "seconds")
        elif isinstance(cell, dt.timedelta):
            # A span of time has no unit that its column states: as text it is never taken for a number of hours.
            text[at] = str(cell)
    has_dates = count["date"] > 0
    return Cells(
        number=number if count["number"] else None,
        wall_ns=wall_ns if has_dates else None,
        text=text,
        resolution_ns=_resolution(wall_ns) if has_dates else 0,
    )


def _wall(stamp: dt.datetime) -> int:
    """Wall clock in ns since 1970, to the millisecond: day numbers are not exact beyond it."""
    since = stamp.replace(tzinfo=dt.UTC) - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    micro = since // dt.timedelta(microseconds=1)
    return (micro + 500) // 1000 * _MS_NS


def time_places(names: tuple[str, ...], columns: list[Cells], times: Sequence[str]) -> list[int]:
    """Columns whose plain numbers are day numbers: those that the case names, or that hold dates beside numbers."""
    named = [place for place, name in enumerate(names) if name in times]
    mixed = [
        place
        for place, cells in enumerate(columns)
        if cells.number is not None and cells.wall_ns is not None and place not in named
    ]
    return [*named, *mixed]


def serial_dates(cells: Cells, system: str) -> tuple[Cells, str]:
    """Turn plain numbers of a time column into dates of the workbook's own date system."""
    if cells.number is None:
        return cells, ""
    low, high = _SERIAL_DAYS
    if system == "days-1904":
        low, high = low - _BASE_DAYS, high - _BASE_DAYS
    serial = (cells.number >= low) & (cells.number <= high)
    if not serial.any():
        return cells, ""
    wall_ns = cells.wall_ns.copy() if cells.wall_ns is not None else np.full(len(serial), NO_TIME, dtype=np.int64)
    days = cells.number[serial] - _EPOCH_DAY[system]
    wall_ns[serial] = np.round(days * (_DAY_NS / _MS_NS)).astype(np.int64) * _MS_NS
    left = np.where(serial, np.nan, cells.number)
    said = f"{int(serial.sum())} plain numbers read as day numbers of the {system[-4:]} date system of the workbook"
    number = None if np.isnan(left).all() else left
    return Cells(number, wall_ns, cells.text, resolution_ns=_resolution(wall_ns)), said
