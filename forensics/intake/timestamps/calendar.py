"""Which dates exist, and their day numbers, over whole columns."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

_LENGTHS = np.array([0, 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
_FEBRUARY = 2
_YEARS = (1678, 2261)  # int64 ns after 1970-01-01 end in 1677 and 2262
_SHORT = 64


def _run_starts(*parts: NDArray[Any]) -> NDArray[np.int64] | None:
    """Where any of the arrays changes; None where they change too often to gain by it."""
    count = len(parts[0])
    if count < _SHORT:
        return None
    change = np.zeros(count, bool)
    change[0] = True
    for part in parts:
        change[1:] |= part[1:] != part[:-1]
    starts = np.flatnonzero(change)
    return starts if len(starts) * 8 < count else None


def is_date(year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether each date exists in the Gregorian calendar, within the years that int64 nanoseconds can hold."""
    starts = _run_starts(year, month, day)
    if starts is not None:
        fits = _each_is_date(year[starts], month[starts], day[starts])
        return np.repeat(fits, np.diff(np.append(starts, len(year))))
    return _each_is_date(year, month, day)


def _each_is_date(year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]) -> NDArray[np.bool_]:
    fits: NDArray[np.bool_] = (month >= 1) & (month < len(_LENGTHS)) & (day >= 1)
    fits &= day <= _LENGTHS[np.where(fits, month, 0)]
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    fits &= leap | (month != _FEBRUARY) | (day != _LENGTHS[_FEBRUARY])
    fits &= (year >= _YEARS[0]) & (year <= _YEARS[1])
    return fits


def days_of(year: NDArray[Any], month: NDArray[Any], day: NDArray[Any]) -> NDArray[np.int64]:
    """Days after 1970-01-01 of dates in the Gregorian calendar."""
    starts = _run_starts(year, month, day)
    if starts is not None:
        each = days_of(year[starts], month[starts], day[starts])
        return np.repeat(each, np.diff(np.append(starts, len(year))))
    months = (year.astype(np.int64) - 1970) * 12 + month.astype(np.int64) - 1
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return np.asarray(first + day.astype(np.int64) - 1, dtype=np.int64)
