"""Which rows bear the time of a clock that was not set: years that no log has, or years away from all others."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS

NOT_SET = "clock not set"
_DAY_NS = 86_400 * NS
_APART_NS = 366 * _DAY_NS
_LONG_AGO_NS = 5 * _APART_NS
EARLIEST_NS = int(datetime(1980, 1, 1, tzinfo=UTC).timestamp()) * NS
LATEST_NS = int(datetime(2200, 1, 1, tzinfo=UTC).timestamp()) * NS
_FIRST_DAYS = 2  # of a year: a logger that lost its clock begins at midnight of a first of January, in some zone
_SMALL = 10  # such rows are fewer than one in so many


def clock_not_set(t: NDArray[np.int64], failure_ns: int | None) -> NDArray[np.bool_]:
    """Which rows of an export are of a clock that was not set.

    Rows before 1980 and from 2200 on are; so is a stamp that lies more than 366 days from all others, and a small
    group so far away that begins with a year, where clocks without power begin (common practice, no published source),
    or that lies five years before. The group that the failure lies in is never taken away; where none holds it, the
    largest is not.

    Parameters
    ----------
    t
        ns UTC of the rows, in any order.
    failure_ns
        Time of the failure; None where it is not known yet.
    """
    wrong = (t < EARLIEST_NS) | (t >= LATEST_NS)
    if len(t) == 0 or (not wrong.any() and int(t.max()) - int(t.min()) <= _APART_NS):
        return wrong
    kept = np.flatnonzero(~wrong)
    order = kept[np.argsort(t[kept], kind="stable")]
    cuts = np.flatnonzero(np.diff(t[order]) > _APART_NS) + 1
    groups = np.split(order, cuts) if len(cuts) else []
    largest = max((len(group) for group in groups), default=0)
    held = [_holds(int(t[group[0]]), int(t[group[-1]]), failure_ns) for group in groups]
    latest = int(t[groups[-1][0]]) if groups else 0
    for group, holds in zip(groups, held, strict=True):
        first, last = int(t[group[0]]), int(t[group[-1]])
        if holds or (len(group) == largest and not any(held)):
            continue
        small = len(group) * _SMALL < largest
        unset = _begins_a_year(first) and (small or any(held))
        if first == last or unset or (small and latest - last > _LONG_AGO_NS):
            wrong[group] = True
    return wrong


def _holds(first_ns: int, last_ns: int, failure_ns: int | None) -> bool:
    return failure_ns is not None and first_ns - _APART_NS <= failure_ns <= last_ns + _APART_NS


def _begins_a_year(time_ns: int) -> bool:
    """Whether a time is of the first days of a year, or of the last hours of one, as seen from another zone."""
    day = datetime.fromtimestamp((time_ns + _DAY_NS // 2) // NS, UTC).timetuple().tm_yday
    return day <= _FIRST_DAYS
