"""Which samples a figure draws: each bucket's minimum and maximum, the ends, and the neighbours of gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MOST_POINTS = 4000


@dataclass(frozen=True, slots=True)
class Thinned:
    """Chosen positions in rising order, and where the drawn line breaks.

    Attributes
    ----------
    index
        int64 positions of the drawn samples.
    breaks
        Positions within ``index`` before which the line is broken (a gap lies between).
    of
        Number of samples that there were.
    """

    index: NDArray[np.int64]
    breaks: NDArray[np.int64]
    of: int

    @property
    def note(self) -> str:
        """What a caption says about it."""
        if len(self.index) == self.of:
            return f"{self.of} readings, all drawn"
        return f"{self.of} readings, drawn as {len(self.index)} points, minimum and maximum kept"


def thin(
    time_ns: NDArray[np.int64], values: NDArray[np.float64], gaps: NDArray[np.int64], *, most: int = MOST_POINTS
) -> Thinned:
    """Choose what to draw.

    Parameters
    ----------
    time_ns, values
        Samples in time order, shape (n,), without NaN.
    gaps
        Positions of samples before which the line breaks, in rising order.
    most
        Points drawn at most. Where the gaps alone are more than fit, the widest gaps keep their neighbours.

    Notes
    -----
    Buckets are made by position (``ufunc.reduceat``), so that the last, partial bucket is kept: it is where the
    trip is.
    """
    n = len(values)
    if n <= most:
        return Thinned(np.arange(n, dtype=np.int64), gaps.astype(np.int64), n)
    room = most // 4
    if len(gaps) > room // 2:
        width = time_ns[gaps] - time_ns[gaps - 1]
        gaps = np.sort(gaps[np.argsort(width, kind="stable")[::-1][: room // 2]])
    fixed = np.concatenate(([0, n - 1], gaps, gaps - 1))
    buckets = (most - len(fixed)) // 2
    edges = np.unique(np.linspace(0, n, buckets, endpoint=False).astype(np.int64))
    chosen = np.unique(np.concatenate((fixed, _extremes(values, edges))))
    return Thinned(chosen, np.searchsorted(chosen, gaps), n)


def _extremes(values: NDArray[np.float64], edges: NDArray[np.int64]) -> NDArray[np.int64]:
    """Position of the first minimum and the first maximum of every bucket."""
    bucket = np.repeat(np.arange(len(edges)), np.diff(np.append(edges, len(values))))
    found = []
    for extreme in (np.minimum.reduceat(values, edges), np.maximum.reduceat(values, edges)):
        hits = np.flatnonzero(values == extreme[bucket])
        _, first = np.unique(bucket[hits], return_index=True)
        found.append(hits[first])
    return np.concatenate(found)
