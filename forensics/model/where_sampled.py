"""Which times of an even grid lie near readings: a grid is never made over a gap, however long the gap is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

NS = 10**9
REACH_S = 7 * 86_400.0  # a reading that is older says nothing about a step; a change log may be silent for days

Times = NDArray[np.int64]


def steps_where_sampled(t: Times, step_ns: int, first_ns: int, last_ns: int) -> Times:
    """Times ``first_ns + k step_ns`` up to ``last_ns``, those that lie more than a week behind every reading left out.

    Parameters
    ----------
    t
        ns UTC of the readings, rising.

    Returns
    -------
    ndarray
        int64, rising; the whole grid where no gap is longer than a week.
    """
    if last_ns < first_ns:
        return np.zeros(0, np.int64)
    reach_ns = round(REACH_S * NS)
    low, high = np.searchsorted(t, [first_ns, last_ns])
    near = np.concatenate(([first_ns], t[low:high]))
    ends = np.minimum(np.concatenate((near[1:], [last_ns])), near + reach_ns)
    gaps = np.flatnonzero(np.diff(near) > reach_ns)
    if not len(gaps) and last_ns - int(near[-1]) <= reach_ns:
        return np.arange(first_ns, last_ns + 1, step_ns, dtype=np.int64)
    begins_of = np.concatenate(([near[0]], near[gaps + 1]))
    ends_of = np.concatenate((ends[gaps], [ends[-1]]))
    parts = []
    for begin, end in zip(begins_of, ends_of, strict=True):
        k = -((first_ns - int(begin)) // step_ns)
        parts.append(np.arange(first_ns + k * step_ns, int(end) + 1, step_ns, dtype=np.int64))
    return np.concatenate(parts)
