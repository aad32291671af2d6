"""Span, Samples and Edge: one point of a machine as it was recorded.

Time is int64 nanoseconds UTC. Every sample keeps the row it came from. Nothing here resamples: a value before an
event is the last sample at or before it with its age, a value after it the first after, with its age.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from forensics.model.vocabulary import Quality, Recorded, Role

_GAP_INTERVALS = 3.0
NS = 1_000_000_000
ON, OFF, UNKNOWN = 1, 0, -1
UNUSABLE = int(Quality.MISSING | Quality.OUT_OF_RANGE)
DISTRUSTED = np.uint16(UNUSABLE | int(Quality.STUCK | Quality.PASTED | Quality.UNCERTAIN))


def to_datetime(time_ns: int) -> datetime:
    """UTC datetime of a time in ns (microsecond resolution)."""
    return datetime.fromtimestamp(time_ns // NS, UTC).replace(microsecond=(time_ns % NS) // 1000)


def iso(time_ns: int) -> str:
    """UTC stamp as findings.json writes it, to the millisecond."""
    stamp = to_datetime(int(time_ns) + 500_000)
    return stamp.strftime("%Y-%m-%dT%H:%M:%S.") + f"{stamp.microsecond // 1000:03d}Z"


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Half-open time span ``[start_ns, end_ns)`` in ns UTC."""

    start_ns: int
    end_ns: int

    @property
    def seconds(self) -> float:
        """Length in s."""
        return (self.end_ns - self.start_ns) / NS

    def holds(self, time_ns: int) -> bool:
        """Whether a time lies in the span."""
        return self.start_ns <= time_ns < self.end_ns

    def overlap(self, other: Span) -> Span | None:
        """The part shared with another span, or None."""
        start, end = max(self.start_ns, other.start_ns), min(self.end_ns, other.end_ns)
        return Span(start, end) if end > start else None


@dataclass(frozen=True, slots=True)
class Reading:
    """One sample held against an event: its value, its age (s, never negative) and its index."""

    value: float
    age_s: float
    index: int


@dataclass(frozen=True, slots=True)
class Origin:
    """Where samples come from.

    Attributes
    ----------
    source, column
        Path and column as the case file gives them.
    clock
        Name of the clock that stamped them.
    recorded
        Record type.
    hold_s
        For ``change``: how long a value is believed without a new row; None: without limit.
    measured_at
        ``line``, ``motor`` or ``drive`` for electrical points; empty when not said.
    resolution_s
        Resolution of the stamps, s.
    """

    source: str
    column: str
    clock: str
    recorded: Recorded = Recorded.INSTANT
    hold_s: float | None = None
    measured_at: str = ""
    resolution_s: float = 1.0


def middle(values: NDArray[np.float64]) -> float:
    """Median of a short array without NaN: what numpy checks first costs ten times what the few values do."""
    ordered = np.sort(values)
    half = len(ordered) // 2
    return float(ordered[half]) if len(ordered) % 2 else float((ordered[half - 1] + ordered[half]) / 2)


def usual_step_s(t: NDArray[np.int64]) -> float:
    """Median spacing of stamps in s; a log without a gap has but one. Rows that share a stamp tell of no spacing."""
    steps = np.diff(t)
    usual = float(steps[0] if (steps == steps[0]).all() else np.median(steps)) / NS
    if usual > 0.0:
        return usual
    apart = steps[steps > 0]
    return float(np.median(apart)) / NS if len(apart) else float("inf")


def covered_seconds(t: NDArray[np.int64], recorded: Recorded, interval_s: float) -> float:
    """Seconds that rows at times ``t`` (ns) speak for: gaps of a periodic log are left out."""
    if len(t) <= 1:
        return 0.0
    if recorded is Recorded.CHANGE:
        return float(t[-1] - t[0]) / NS
    return float(np.minimum(np.diff(t), round(_GAP_INTERVALS * interval_s * NS)).sum()) / NS


@dataclass(frozen=True)
class Samples:
    """Readings of one point in the canonical unit of its role.

    Attributes
    ----------
    t
        ns UTC, int64, non-decreasing, shape (n,).
    v
        float64, shape (n,); NaN where there is no reading.
    q
        uint16 quality flags, shape (n,).
    row
        int64 source row of every sample, shape (n,).
    resolution
        Smallest step between different readings, canonical unit; 0 where unknown.
    lost
        For logs of changes: ns UTC from which nothing is known until the next row; None where there is no such time.
        Rows without a reading count with them, and stay when those rows are taken out.
    """

    role: Role
    origin: Origin
    t: NDArray[np.int64]
    v: NDArray[np.float64]
    q: NDArray[np.uint16]
    row: NDArray[np.int64]
    resolution: float = 0.0
    lost: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return len(self.t)

    @cached_property
    def usable(self) -> Samples:
        """Samples that carry a reading inside its range."""
        good = ((self.q & UNUSABLE) == 0) & np.isfinite(self.v)
        return self if bool(good.all()) else self._pick(good)

    @cached_property
    def trusted(self) -> Samples:
        """Readings that may speak for health: none missing, out of range, stuck, pasted or uncertain."""
        flags = int(np.bitwise_or.reduce(self.q)) if len(self) else 0
        # one sum tells whether any reading is not finite; most long records have neither flag nor gap
        if not flags & int(DISTRUSTED) and np.isfinite(np.sum(self.v)):
            return self
        return self._pick(((self.q & DISTRUSTED) == 0) & np.isfinite(self.v))

    def _pick(self, chosen: NDArray[np.bool_] | slice) -> Samples:
        part = replace(self, t=self.t[chosen], v=self.v[chosen], q=self.q[chosen], row=self.row[chosen])
        return replace(part, lost=lost) if len(lost := self._lost_stamps) else part

    @cached_property
    def _lost_stamps(self) -> NDArray[np.int64]:
        """Stamps from which a log of changes knows nothing until its next row, sorted."""
        if self.origin.recorded is not Recorded.CHANGE:
            return np.empty(0, np.int64)
        unread = ((self.q & np.uint16(UNUSABLE)) != 0) | ~np.isfinite(self.v)
        own = self.t[unread]
        return own if self.lost is None else np.union1d(self.lost, own)

    @cached_property
    def interval_s(self) -> float:
        """Typical spacing in s: the median for periodic logs, the stamps' resolution for change-of-value logs."""
        if self.origin.recorded is Recorded.CHANGE:
            return max(self.origin.resolution_s, 0.001)
        if len(self.t) <= 1:
            return float("inf")
        return usual_step_s(self.t)

    @cached_property
    def covered_s(self) -> float:
        """Seconds of the record that the trusted readings speak for: gaps of a periodic log are left out."""
        return covered_seconds(self.trusted.t, self.origin.recorded, self.interval_s)

    def between(self, start_ns: int, end_ns: int) -> Samples:
        """Samples with ``start_ns <= t < end_ns``."""
        low, high = self.t.searchsorted([start_ns, end_ns])
        return self._pick(slice(int(low), int(high)))

    def before(self, time_ns: int, max_age_s: float | None = None) -> Reading | None:
        """Last usable sample at or before a time, unless it is older than ``max_age_s`` or its hold limit."""
        index = int(self.usable.t.searchsorted(time_ns, side="right")) - 1
        if index < 0 or bool(self._lost_at(np.array([time_ns], np.int64))[0]):
            return None
        age_s = (time_ns - int(self.usable.t[index])) / NS
        limits = [limit for limit in (max_age_s, self.origin.hold_s) if limit is not None]
        if limits and age_s > min(limits):
            return None
        return Reading(float(self.usable.v[index]), age_s, index)

    def after(self, time_ns: int, max_age_s: float | None = None) -> Reading | None:
        """First usable sample after a time, unless it comes later than ``max_age_s``."""
        index = int(self.usable.t.searchsorted(time_ns, side="right"))
        if index >= len(self.usable.t):
            return None
        age_s = (int(self.usable.t[index]) - time_ns) / NS
        if max_age_s is not None and age_s > max_age_s:
            return None
        return Reading(float(self.usable.v[index]), age_s, index)

    def at(self, times_ns: NDArray[np.int64], max_age_s: float | None = None) -> NDArray[np.float64]:
        """Last usable value at or before each time; NaN where none is young enough. Shape follows ``times_ns``."""
        usable = self.usable
        if not len(usable):
            return np.full(len(times_ns), np.nan)
        if self.origin.recorded is not Recorded.CHANGE and usable.is_each(times_ns):
            return usable.v.astype(np.float64)
        index = np.searchsorted(usable.t, times_ns, side="right") - 1
        values = usable.v[np.maximum(index, 0)].astype(np.float64)
        age_s = (times_ns - usable.t[np.maximum(index, 0)]) / NS
        limits = [limit for limit in (max_age_s, self.origin.hold_s) if limit is not None]
        bad = (index < 0) | self._lost_at(times_ns)
        if limits:
            bad = bad | (age_s > min(limits))
        return np.where(bad, np.nan, values)

    @cached_property
    def _rising(self) -> bool:
        return bool((self.t[1:] > self.t[:-1]).all())

    def is_each(self, times_ns: NDArray[np.int64]) -> bool:
        """Whether the times are those of the samples, one by one: each is then its own last sample, of no age."""
        if times_ns is not self.t and (len(times_ns) != len(self.t) or not np.array_equal(times_ns, self.t)):
            return False
        return self._rising

    def _lost_at(self, times_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Where a change log says, or its silence, that there is no reading: its value before is no longer held."""
        stamps, read = self._lost_stamps, self.usable.t
        if not len(stamps) or not len(read):
            return np.zeros(len(times_ns), bool)
        at = np.searchsorted(stamps, times_ns, side="right") - 1
        row = np.searchsorted(read, times_ns, side="right") - 1
        lost: NDArray[np.bool_] = (at >= 0) & (stamps[np.maximum(at, 0)] >= read[np.maximum(row, 0)])
        return lost

    def shifted(self, offset_ns: int) -> Samples:
        """The same samples on another clock: ``offset_ns`` is taken off every stamp."""
        if not offset_ns:
            return self
        lost = None if self.lost is None else self.lost - np.int64(offset_ns)
        return replace(self, t=self.t - np.int64(offset_ns), lost=lost)

    def crossings(self, low: float, high: float, min_s: float) -> list[Edge]:
        """Edges of "above ``high``" with release below ``low``; states shorter than ``min_s`` are not edges.

        Two thresholds and a minimum time, so that noise at the limit is one event. Each edge is an interval from
        the last sample of the old state to the first sample of the new one.
        """
        usable = self.usable
        if not len(usable):
            return []
        above = usable.v >= high
        known = np.flatnonzero(above | (usable.v <= low))
        if not len(known):
            return []
        # between the thresholds the state before holds; before the first known sample, that one
        on = above[known]
        change = np.flatnonzero(on[1:] != on[:-1]) + 1
        if not len(change):
            return []
        starts = known[change]
        ends = np.append(starts[1:], len(above))
        edges: list[Edge] = []
        current = bool(on[0])
        for start, end, to in zip(starts.tolist(), ends.tolist(), on[change].tolist(), strict=True):
            last = min(end, len(above) - 1)
            long_enough = (usable.t[last] - usable.t[start]) / NS >= min_s or end == len(above)
            if to == current or not long_enough:
                continue
            edges.append(
                Edge(int(usable.t[start - 1]), int(usable.t[start]), ON if to else OFF, int(usable.row[start]))
            )
            current = to
        return edges


@dataclass(frozen=True, slots=True)
class Edge:
    """A change of state, somewhere in ``[earliest_ns, latest_ns]``; ``to`` is ON, OFF or UNKNOWN."""

    earliest_ns: int
    latest_ns: int
    to: int
    row: int

    @property
    def width_s(self) -> float:
        """Width of the interval in s."""
        return (self.latest_ns - self.earliest_ns) / NS
