"""What the steps between the stamps of a log say: its direction, clocks that were set back, clocks of twelve hours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.intake.timestamps.wording import in_units
from forensics.model.row_numbers import said_row

_TWO, _MOST_SAID = 2, 5
_HOUR = 3600 * 10**9
_NINE_HOURS, _HALF_DAY, _DAY, _NOON = 9 * _HOUR, 12 * _HOUR, 24 * _HOUR, 12


def direction(local: NDArray[np.int64]) -> int:
    """1 where a log is written oldest first, -1 newest first, 0 where no two stamps differ."""
    steps = np.diff(local)
    rising, falling = int((steps > 0).sum()), int((steps < 0).sum())
    if rising == falling == 0:
        return 0
    return -1 if falling > rising else 1


def no_clear_way(local: NDArray[np.int64]) -> bool:
    """Whether a log rises about as often as it falls, so that its rows of one stamp may stand in either order."""
    steps = np.diff(local)
    rising, falling = int((steps > 0).sum()), int((steps < 0).sum())
    return bool((steps == 0).any()) and min(rising, falling) * 2 >= max(rising, falling) > 0


def twelve_hours(local: NDArray[np.int64], keys: NDArray[np.int32] | None) -> int | None:
    """Position of the first row at which a clock of twelve hours without AM and PM starts again; None where none does.

    Parameters
    ----------
    local
        Wall-clock ns in file order, oldest first.
    keys
        For long layouts: number of the point of each row; steps are looked at within a point.

    Notes
    -----
    Such a clock shows no hour 0 and none above 12, and steps back from about 12:59 to about 1:00 within one date.
    """
    order = np.arange(len(local)) if keys is None else np.argsort(keys, kind="stable")
    steps = np.diff(local[order])
    if keys is not None:
        steps[np.diff(keys[order]) != 0] = 0
    back = np.flatnonzero((steps <= -_NINE_HOURS) & (steps > -_HALF_DAY))
    back = back[local[order[back]] // _DAY == local[order[back + 1]] // _DAY] if len(back) else back
    if not len(back):
        return None
    hour = local % _DAY // _HOUR
    return int(order[back[0] + 1]) if bool(((hour >= 1) & (hour <= _NOON)).all()) else None


@dataclass(frozen=True, slots=True)
class SetBack:
    """A step back of the stamps between two rows of the file.

    ``before_all`` tells that all rows after it, until its time is reached again, lie before every row above it.

    ``overlap`` rows before it bear times that come again: the clock was set back. Where none do, ``later`` rows follow
    whose times lie before those above them.
    """

    position: int
    by_ns: int
    overlap: int
    later: int = 0
    before_all: bool = False


def set_backs(
    t: NDArray[np.int64], keys: NDArray[np.int32] | None = None, seams: NDArray[np.int64] | None = None
) -> tuple[list[SetBack], NDArray[np.bool_]]:
    """Where the clock was set back, and the rows whose time is therefore in doubt.

    Parameters
    ----------
    t
        ns UTC in file order, oldest first.
    keys
        For long layouts: number of the point of each row; a row is held against rows of the same points only.
    seams
        Positions at which another file begins: a step back there is no clock that was set back.

    Notes
    -----
    Rows that merely arrive late fill a hole: in the time that they cover no earlier row stands, or few do. Where as
    many earlier rows stand there as later ones, the clock has lived that time twice.
    """
    suspect = np.zeros(len(t), bool)
    found: list[SetBack] = []
    if len(t) < _TWO:
        return found, suspect
    reached = np.maximum.accumulate(t)
    back = np.flatnonzero(np.diff(t) < 0) + 1
    for position in back if seams is None else back[~np.isin(back, seams)]:
        top, start = int(reached[position - 1]), int(t[position])
        if t[position - 1] != top:
            continue
        beyond = np.flatnonzero(t[position:] > top)
        end = position + int(beyond[0]) if len(beyond) else len(t)
        later = np.arange(position, end)
        last = int(t[later].max())
        earlier = np.flatnonzero((t[:position] >= start) & (t[:position] <= last))
        if keys is not None:
            earlier = earlier[np.isin(keys[earlier], keys[later])]
        if len(later) > 1 and len(earlier) > 1 and len(earlier) * 2 >= len(later):
            suspect[earlier] = True
            suspect[later] = True
            found.append(SetBack(int(position), top - start, min(len(earlier), len(later))))
        elif keys is None:
            first = int(t[:position].min())
            found.append(SetBack(int(position), top - start, 0, len(later), before_all=last < first))
    return found, suspect


def said_steps(found: list[SetBack], rows: NDArray[np.int64]) -> list[str]:
    """Sentences for the report about steps back; ``rows`` are the source rows of the log in its order."""
    out = []
    for step in found[:_MOST_SAID]:
        line = said_row(int(rows[step.position]))
        if step.overlap:
            out.append(
                f"line {line}: the clock was set back by {step.by_ns / 60e9:.4g} min; {step.overlap} rows before it "
                "bear times that come again after it: both are kept, marked as in doubt"
            )
        elif step.later == 1:
            out.append(
                f"line {line}: its stamp is {in_units(step.by_ns / 1e9)} before the one above it, and the next goes "
                "on: it is put where its stamp says"
            )
        else:
            out.append(
                f"line {line}: the stamps step back by {in_units(step.by_ns / 1e9)} and {step.later} rows follow "
                "before they are reached again: the rows are put in the order of their stamps, as they would be where "
                "parts of an export were joined; where the clock was set back their times are wrong"
            )
    if len(found) > _MOST_SAID:
        out.append(f"the stamps step back at {len(found) - _MOST_SAID} more places")
    return out
