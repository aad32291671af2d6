"""Medians over a minute or so of running: what the expectations of a machine are fitted to and judged by.

A block holds samples of one run that are all settled, or all not: it never mixes the minutes after a start with those
that follow. Blocks are as long as the slowest point's interval at least, and longer where a record runs for weeks,
except in the last two hours of the run that failed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.frame import Floats, Frame, Mask, Times
from forensics.model.points import NS

_BLOCK_S = 60.0
_MOST_BLOCKS = 3000
_FINE_BEFORE_FAILURE_S = 7200.0
_FEWEST_SHARE = 0.5


@dataclass(frozen=True)
class Blocks:
    """Blocks of a frame, in time order.

    Attributes
    ----------
    of
        Block of each sample of the frame, shape (n,).
    first, last
        First and last sample of each block, shape (m,).
    t
        Middle of each block, ns UTC, shape (m,).
    """

    frame: Frame
    of: NDArray[np.int64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    t: Times
    width_s: float

    def middle(self, reading: Floats) -> Floats:
        """Median of each block, shape (m,), which no knock or slug moves; NaN where less than half of it is there."""
        m = len(self.t)
        there = np.flatnonzero(np.isfinite(reading))
        order = there[np.lexsort((reading[there], self.of[there]))]
        count = np.bincount(self.of[there], minlength=m)
        first = np.concatenate(([0], np.cumsum(count)[:-1])) if m else count
        enough = (count > 0) & (count >= _FEWEST_SHARE * (self.last - self.first + 1))
        out = np.full(m, np.nan)
        low, high = first + (count - 1) // 2, first + count // 2
        out[enough] = (reading[order[low[enough]]] + reading[order[high[enough]]]) / 2.0
        return out

    def all_of(self, mask: Mask) -> Mask:
        """Blocks whose samples are all within a mask, shape (m,)."""
        return np.asarray(np.bincount(self.of[~mask], minlength=len(self.t)) == 0)

    def samples_of(self, chosen: Mask) -> NDArray[np.int64]:
        """Samples of the frame within chosen blocks."""
        return np.flatnonzero(chosen[self.of])

    @property
    def seconds(self) -> Floats:
        """How long each block stands for, s, shape (m,)."""
        f = self.frame
        alone = np.full(len(self.t), f.step_s)
        return np.asarray(np.maximum((f.t[self.last] - f.t[self.first]) / NS, alone))


def cut_blocks(frame: Frame, interval_s: float) -> Blocks:
    """Cut a frame into blocks, counted back from each run's end; no shorter than the slowest point's ``interval_s``."""
    n = len(frame.t)
    if not n:
        none = np.empty(0, dtype=np.int64)
        return Blocks(frame, none, none, none, none, _BLOCK_S)
    least_s = max(_BLOCK_S, interval_s if np.isfinite(interval_s) else 0.0)
    ends = np.concatenate((np.flatnonzero(np.diff(frame.run) != 0), [n - 1]))
    end_of = ends[np.searchsorted(ends, np.arange(n))]
    left_s = (frame.t[end_of] - frame.t) / NS
    ran_s = float(np.sum((frame.t[ends] - frame.t[np.concatenate(([0], ends[:-1] + 1))]) / NS))
    wide_s = max(least_s, ran_s / _MOST_BLOCKS)
    fine = np.asarray(frame.in_failing_run) & (left_s < _FINE_BEFORE_FAILURE_S)
    slot = np.where(fine, left_s // least_s, 1_000_000 + left_s // wide_s).astype(np.int64)
    begins = np.diff(frame.run, prepend=-1) != 0
    begins |= np.diff(slot, prepend=-1) != 0
    begins |= np.diff(frame.settled.astype(np.int8), prepend=-1) != 0
    of = np.cumsum(begins) - 1
    first = np.flatnonzero(begins)
    last = np.concatenate((first[1:] - 1, [n - 1]))
    middle = frame.t[first] + (frame.t[last] - frame.t[first]) // 2
    return Blocks(frame, of, first, last, middle, least_s)
