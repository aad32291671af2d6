"""Rows whose stamps can't be right: single ones far off in a steady log, those of a clock that was set back."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from forensics.intake.timestamps.monotonicity import SetBack
from forensics.intake.timestamps.wording import in_units
from forensics.model.points import NS
from forensics.model.row_numbers import said_row

OUT_OF_ORDER = "stamp out of order"
_FAR_STEPS = 10.0  # usual steps: a row so far back did not merely arrive late
_NEAR_STEPS = 3.0  # the rows around a stray follow on each other
_FEW_ROWS = 3
LATE_NS = 3600 * NS  # rows of a list of several devices arrive late by minutes, as each of them sends


def series_of(t: NDArray[np.int64], keys: NDArray[np.int32] | None) -> list[NDArray[np.int64]]:
    """Positions of the rows that were to follow on each other in time: all rows, or those of each point.

    Parameters
    ----------
    t
        ns UTC in the order of the file, oldest rows first.
    keys
        For long layouts: number of the point of each row. A long log steps back where the rows of another point begin
        when it stands point by point; else all of its rows are one series. Points whose rows rise are left out.
    """
    if keys is None:
        return [np.arange(len(t))]
    back = np.flatnonzero(np.diff(t) < 0) + 1
    if not len(back):
        return []
    _, first = np.unique(keys, return_index=True)
    if not np.isin(back, first).any():
        return [np.arange(len(t))]
    order = np.argsort(keys, kind="stable")
    parts = np.split(order, np.flatnonzero(np.diff(keys[order])) + 1)
    return [part for part in parts if bool((np.diff(t[part]) < 0).any())]


def lone_strays(t: NDArray[np.int64], *, late_ns: int = 0) -> NDArray[np.int64]:
    """Positions of rows far off neighbours that follow on each other, where no hole waits for them.

    Single rows, the first or last row of a file among them, and blocks whose own time is the hole that they leave in
    the log around them: the clock stood wrong for so long.

    Parameters
    ----------
    t
        ns UTC in the order of the file, oldest rows first.
    late_ns
        A row that steps off by less merely arrived late.
    """
    steps = np.diff(t)
    rising = steps[steps > 0] if bool((steps < 0).any()) else steps[:0]
    if not len(rising):
        return np.zeros(0, np.int64)
    usual = max(float(np.median(rising)), late_ns / _FAR_STEPS)
    off = np.minimum(np.abs(steps[:-1]), np.abs(steps[1:])) > _FAR_STEPS * usual
    opposite = (steps[:-1] > 0) != (steps[1:] > 0)
    around = t[2:] - t[:-2]
    found = np.flatnonzero(off & opposite & (around >= 0) & (around <= _NEAR_STEPS * usual)) + 1
    found = np.union1d(found, np.concatenate((_at_the_ends(steps, usual), *_blocks_ahead(t, steps, usual))))
    if not len(found):
        return found
    others = np.sort(np.delete(t, found))
    after = np.clip(np.searchsorted(others, t[found]), 1, len(others) - 1)
    inside = (t[found] > others[0]) & (t[found] < others[-1])
    hole = inside & (others[after] - others[after - 1] > 1.5 * usual)
    strays: NDArray[np.int64] = found[~hole]
    return strays


def _at_the_ends(steps: NDArray[np.int64], usual: float) -> NDArray[np.int64]:
    """The first row where it lies far after the second, and the last where it lies far before the one above it."""
    enough = len(steps) > _FEW_ROWS
    ends = [0] if enough and steps[0] < -_FAR_STEPS * usual else []
    if enough and steps[-1] < -_FAR_STEPS * usual:
        ends.append(len(steps))
    return np.array(ends, np.int64)


def _blocks_ahead(t: NDArray[np.int64], steps: NDArray[np.int64], usual: float) -> list[NDArray[np.int64]]:
    """Rows between a leap ahead and a step back, where the log goes on as if they had stood in between."""
    leaps = np.flatnonzero(steps > _FAR_STEPS * usual) + 1
    out = []
    for end in np.flatnonzero(steps < -_FAR_STEPS * usual) + 1:
        before = leaps[leaps < end]
        if not len(before):
            continue
        begin = int(before[-1])
        count, left = int(end) - begin, int(t[end] - t[begin - 1])
        fills = 0 <= left <= (count + _NEAR_STEPS) * usual and left > (count - _NEAR_STEPS) * usual
        if count > 1 and fills and bool((t[begin:end] > t[end]).all()):
            out.append(np.arange(begin, int(end)))
    return out


def set_back_into_the_past(
    found: Sequence[SetBack], rows: NDArray[np.int64], headers: Sequence[int]
) -> tuple[str, str, int] | None:
    """Question where many rows follow a step back and lie before all above it: parts joined, or a clock set back.

    Parameters
    ----------
    rows
        Source rows in the order of the log.
    headers
        Lines of repeated headers: where one stands at the step, parts of an export were joined.
    """
    for step in found:
        if not step.before_all or step.later <= _FEW_ROWS or step.position <= _FEW_ROWS:
            continue
        low, high = sorted((int(rows[step.position - 1]), int(rows[step.position])))
        if any(low < line < high for line in headers):
            continue
        return (
            f"line {said_row(int(rows[step.position]))}: the stamps step back by {in_units(step.by_ns / NS)}, and the "
            f"{step.later} rows from there on lie before all rows above: the clock was set back, or two parts stand in "
            "the wrong order.",
            "Supply the lines above and from there on as two sources: of one clock where parts were exchanged, each "
            "with a clock of its own where it was set back.",
            int(rows[step.position]),
        )
    return None
