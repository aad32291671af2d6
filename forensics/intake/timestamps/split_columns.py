"""A date, a time of day and an offset from UTC that stand in columns of their own, as one stamp."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.timestamps.fields import DAY_NS, EPOCH, FIXED, NO_OFFSET, OPEN, TIME_ONLY, Fields
from forensics.intake.timestamps.parse import numeric_offset, read_fields

_DAY_DIGITS = 5
_DAY_MS = 86_400_000
_HALF_DAY_NS = DAY_NS // 2
_HHMM, _HOURS, _SIXTY = 4, 24, 60
_CLOCK = re.compile(r"\d{3,6}")
OFFSET = re.compile(r"(?:UTC|GMT)?\s?[+\u2212-]\d{1,2}(?::?\d{2})?|Z|[A-Z]{3,5}")
WRITTEN_OFFSET = re.compile(r"(?:UTC|GMT)?[+\u2212-]\d{2}:\d{2}")  # nothing else is written so
FRACTION = re.compile(r"\s*0?[.,]\d{2,}\s*|\s*[01]\s*")


def read_times(texts: Any) -> Fields:
    """Read the fields of a column that stands beside a column of dates.

    Parameters
    ----------
    texts
        pyarrow string array, shape (n,).

    Returns
    -------
    Fields
        As :func:`read_fields` gives them; where no cell reads as a stamp, offsets (``+02:00``, ``CET``) as midnight
        with that offset, times without marks (``93015`` for 09:30:15) as such, or fractions of a day (``0.354166``)
        as the time of day that a sheet means by them, to the millisecond.
    """
    fields = read_fields(texts)
    if not len(fields) or bool((fields.form >= 0).any() and not (fields.form == EPOCH).all(where=fields.form >= 0)):
        return fields
    if _read_clock_numbers(texts, fields) or bool((fields.form >= 0).any()):
        return fields
    if _read_offsets(texts, fields):
        return fields
    day = _fractions(texts)
    known = ~np.isnan(day)
    if not known.any():
        return fields
    fields.form[known] = TIME_ONLY
    fields.tod_ns[known] = np.round(day[known] * _DAY_MS).astype(np.int64) * 1_000_000
    fields.resolution_ns = 1_000_000_000
    return fields


def clock_numbers(cells: Sequence[str]) -> bool:
    """Whether texts are times of day without marks, such as ``93015`` or ``0930``: whole numbers that fit a clock."""
    filled = [cell for cell in cells if cell]
    return bool(filled) and all(_CLOCK.fullmatch(cell) and _tod_s(cell) is not None for cell in filled)


def _tod_s(cell: str) -> int | None:
    """Seconds after midnight of ``hhmmss`` or ``hhmm``, the leading zero of the hour perhaps lost; None for others."""
    digits = cell.zfill(6) if len(cell) > _HHMM else f"{cell.zfill(_HHMM)}00"
    hour, minute, second = int(digits[:2]), int(digits[2:4]), int(digits[4:])
    fits = hour < _HOURS and minute < _SIXTY and second < _SIXTY
    return (hour * _SIXTY + minute) * _SIXTY + second if fits else None


def _read_clock_numbers(texts: Any, fields: Fields) -> bool:
    """Take a column of times without marks as times of day; False where a cell is none."""
    cells = [(text or "").strip() for text in texts.to_pylist()]
    if not clock_numbers(cells):
        return False
    seconds = [_tod_s(cell) if cell else None for cell in cells]
    known = np.array([second is not None for second in seconds])
    fields.form[known] = TIME_ONLY
    fields.form[~known] = -1
    fields.tod_ns[known] = np.array([second for second in seconds if second is not None], np.int64) * 10**9
    longest = max(len(cell) for cell in cells)
    fields.resolution_ns = 10**9 if longest > _HHMM else 60 * 10**9
    return True


def _read_offsets(texts: Any, fields: Fields) -> bool:
    """Take a column of offsets or of zone letters as midnight with that offset; False where it holds something else."""
    import pyarrow as pa

    if isinstance(texts, pa.ChunkedArray):
        texts = pa.concat_arrays(texts.chunks)
    encoded = texts.dictionary_encode()
    words = [(word or "").strip().replace("\u2212", "-") for word in encoded.dictionary.to_pylist()]
    if not any(OFFSET.fullmatch(word) for word in words):
        return False
    codes = encoded.indices.to_numpy()
    for code, word in enumerate(words):
        places = np.flatnonzero(codes == code)
        if word and OFFSET.fullmatch(word) is None:
            continue
        fields.form[places] = TIME_ONLY
        offset = numeric_offset(word) if word else NO_OFFSET
        if offset is None:
            fields.zones.setdefault(word, []).append(places)
        else:
            fields.offset_s[places] = offset
    return True


def _fractions(texts: Any) -> NDArray[np.float64]:
    cells = [text or "" for text in texts.to_pylist()]
    read = [float(cell.replace(",", ".")) if FRACTION.fullmatch(cell) else np.nan for cell in cells]
    out = np.array(read, np.float64)
    out[~(out < 1.0)] = np.nan
    return out


@dataclass(slots=True)
class LastDate:
    """The date that goes on where a file writes dates only when they change: form, year, and the two numbers of it."""

    form: int = -1
    year: int = 0
    p: int = 0
    q: int = 0
    tod_ns: int | None = None
    days: int = 0

    def fill(self, dates: Fields, open_cells: NDArray[np.bool_], tod_ns: NDArray[np.int64]) -> LastDate:
        """Put the date above into the cells without one; returns the date that goes on below.

        Parameters
        ----------
        dates
            Fields of the column of dates; changed in place.
        open_cells
            Cells that are empty, or hold a time alone.
        tod_ns
            Time of day of every row, shape (n,). Where it goes over midnight before the next date is written, the rows
            below are of the day after (of the day before in a log that is written newest first).
        """
        dated = (dates.form == FIXED) | (dates.form == OPEN)
        last = np.maximum.accumulate(np.where(dated, np.arange(len(dated)), -1))
        for name, carried in (("form", self.form), ("year", self.year), ("p", self.p), ("q", self.q)):
            array = getattr(dates, name)
            above = np.where(last >= 0, array[np.maximum(last, 0)], np.array(carried, array.dtype))
            array[open_cells] = above[open_cells]
        days = self._days_on(dated, last, tod_ns)
        dates.tod_ns = dates.tod_ns + np.where(open_cells, days, 0) * DAY_NS
        goes_on = int(tod_ns[-1]) if len(tod_ns) else self.tod_ns, int(days[-1]) if len(days) else self.days
        if not dated.any():
            return LastDate(self.form, self.year, self.p, self.q, *goes_on)
        at = int(np.flatnonzero(dated)[-1])
        return LastDate(int(dates.form[at]), int(dates.year[at]), int(dates.p[at]), int(dates.q[at]), *goes_on)

    def _days_on(
        self, dated: NDArray[np.bool_], last: NDArray[np.int64], tod_ns: NDArray[np.int64]
    ) -> NDArray[np.int64]:
        """Number of midnights that each row lies after the date above it."""
        steps = np.diff(tod_ns, prepend=tod_ns[:1] if self.tod_ns is None else np.array([self.tod_ns]))
        steps[dated] = 0
        turns = (steps < -_HALF_DAY_NS).astype(np.int64)
        small = np.abs(steps) < _HALF_DAY_NS
        if int((steps[small] < 0).sum()) > int((steps[small] > 0).sum()):  # newest first
            turns = -(steps > _HALF_DAY_NS).astype(np.int64)
        gone = np.cumsum(turns)
        at_date = np.where(last >= 0, gone[np.maximum(last, 0)], -self.days)
        days: NDArray[np.int64] = gone - at_date
        return days


def together(date: Fields, time: Fields) -> Fields:
    """A date column and a time column as one stamp; the day may be a sheet's day number."""
    out = date
    only_time = time.form == TIME_ONLY
    only_date = date.form == TIME_ONLY
    if only_date.any() and not only_time.any():
        return together(time, date)
    numeric = out.form == EPOCH
    if numeric.any():
        _add_to_numbers(out, time, numeric)
    # a time that comes with a date of its own (a spreadsheet's zero day) counts as a time
    out.form = np.where(time.form < 0, np.int8(-1), out.form).astype(np.int8)
    out.tod_ns = out.tod_ns + np.where((time.form < 0) | numeric, 0, time.tod_ns)
    has_offset = (out.offset_s == NO_OFFSET) & (time.offset_s != NO_OFFSET)
    out.offset_s = np.where(has_offset, time.offset_s, out.offset_s).astype(np.int32)
    for letters, places in time.zones.items():
        out.zones.setdefault(letters, []).extend(places)
    finest = [part.resolution_ns for part in (date, time) if part.resolution_ns]
    out.resolution_ns = min(finest) if finest else 0
    return out


def _add_to_numbers(out: Fields, time: Fields, numeric: NDArray[np.bool_]) -> None:
    """A whole day number takes the time of day as its fraction; another number has a time already and can't be read."""
    whole = numeric & (out.digits == _DAY_DIGITS) & (out.number == np.floor(out.number)) & (time.form == TIME_ONLY)
    out.number[whole] += time.tod_ns[whole] / DAY_NS
    out.form[numeric & ~whole] = -1
