"""Which part of a machine's early running teaches what is expected of it: the part before it left what it had taught.

A fault that began within the early part of a record would be learnt as usual, the more so where it brought duties that
were not run before. The first stretches teach, the later ones are held against them; from the first stretch on that
left it, and stayed away, nothing teaches any more.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from forensics.machine.duty.frame import Floats
from forensics.stats.surface import Surface

Index = NDArray[np.int64]
_STRETCH_S = 1800.0
_SHARES = (1.0 / 3.0, 2.0 / 3.0)
_CHANCE = 0.05
_STAYED = 0.8
_FEWEST = 5


def before_it_left(
    at: Index,
    readings: tuple[Floats, Floats, Index, Floats],
    seconds: Floats,
    taught_by: Callable[[Index], Surface | None],
    *,
    far: float,
    least_s: float,
) -> Index:
    """Blocks that may teach: those before the first stretch that left what earlier ones taught, and did not come back.

    Parameters
    ----------
    at
        Blocks that would teach, in time order.
    readings, seconds
        Duties (m, d), times (m,), runs (m,) and readings (m,) of all blocks, and how long each stands for, s.
    taught_by
        Fits what is expected to blocks.
    far
        The deviation from which a stretch has left, in the unit of the readings; its interval must exclude none.
    least_s
        The least running that may teach, s.
    """
    stretch = _stretches(at, readings[2], seconds)
    ran_s = np.cumsum(seconds[at])
    for share in _SHARES:
        first = stretch < stretch[np.searchsorted(ran_s, share * ran_s[-1])]
        if first.sum() < _FEWEST or ran_s[first][-1] < least_s:
            continue
        surface = taught_by(at[first])
        cut = None if surface is None else _left_from(surface, at[~first], stretch[~first], readings, far)
        if cut is not None:
            return at[stretch < cut]
    return at


def _stretches(at: Index, run: Index, seconds: Floats) -> Index:
    """Number of the stretch of each block: a run, or a part of half an hour of it; rising, shape (len(at),)."""
    begins = np.diff(run[at], prepend=run[at[0]] - 1) != 0
    ran_s = np.cumsum(seconds[at]) - seconds[at]
    since_s = ran_s - ran_s[np.flatnonzero(begins)][np.cumsum(begins) - 1]
    begins |= np.diff(np.floor(since_s / _STRETCH_S), prepend=0.0) > 0.0
    return np.asarray(np.cumsum(begins) - 1)


def _left_from(
    surface: Surface, at: Index, stretch: Index, readings: tuple[Floats, Floats, Index, Floats], far: float
) -> int | None:
    """The first stretch from which most of them lie surely on one side of what is expected; None where none does."""
    x, t_s, run, value = readings
    names = np.unique(stretch)
    side = np.zeros(len(names))
    for k, name in enumerate(names):
        part = at[stretch == name]
        found = surface.mean_deviation(x[part], t_s[part], run[part], value[part], two_sided=_CHANCE / len(names))
        if abs(found.value) > far and not found.low <= 0.0 <= found.high:
            side[k] = np.sign(found.value)
    for first in np.flatnonzero(side):
        if np.mean(side[first:] == side[first]) >= _STAYED:
            return int(names[first])
    return None
