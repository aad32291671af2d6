"""Three phases of one meter on common stamps, the moment of the failure, and small steps over their samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.electrics.phasors import AMPS, VOLTS, Floats
from forensics.machine.citations import rows_of_each
from forensics.machine.duty.reading_age import max_age_s
from forensics.machine.subject import Subject
from forensics.model.findings import Cite, Stop
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS, Samples, Span
from forensics.model.vocabulary import Role, StopKind

Bools = NDArray[np.bool_]
Times = NDArray[np.int64]
__all__ = ["AMPS", "VOLTS", "Bools", "Floats", "Phases", "Times", "Trip", "read_phases"]


@dataclass(frozen=True)
class Phases:
    """Readings of three phases (A or V, RMS) at common stamps.

    Attributes
    ----------
    t
        ns UTC, shape (n,).
    v
        Shape (3, n); only stamps at which all three have a reading are kept.
    points
        The three points, for citing.
    """

    t: Times
    v: Floats
    points: tuple[Samples, ...]

    @property
    def interval_s(self) -> float:
        """Sample interval of the slowest of the three, s."""
        return max(p.interval_s for p in self.points)

    @property
    def clock(self) -> str:
        """Clock of the first phase."""
        return self.points[0].origin.clock

    def between(self, start_ns: int, end_ns: int) -> Phases:
        """The part with ``start_ns <= t < end_ns``."""
        a, b = np.searchsorted(self.t, [start_ns, end_ns], side="left")
        return Phases(self.t[a:b], self.v[:, a:b], self.points)

    def cites(self, start_ns: int, end_ns: int) -> tuple[Cite, ...]:
        """Rows of the three points between two times, both included."""
        return rows_of_each(self.points, start_ns, end_ns)


@kept_with_owner
def read_phases(subject: Subject, roles: tuple[Role, ...]) -> tuple[Phases | None, str]:
    """Three phases on the stamps of the first of them, or why not; made once for a subject.

    A reading of another phase may be no older than that point's own interval allows.
    """
    points = [subject.record.point(role) for role in roles]
    missing = [role.value for role, point in zip(roles, points, strict=True) if point is None]
    if missing:
        return None, f"no {', '.join(missing)}"
    good = tuple(point.trusted for point in points if point is not None)
    if any(not len(point) for point in good):
        return None, f"no usable readings of {', '.join(role.value for role in roles)}"
    base = good[0]
    columns = [base.v]
    for point in good[1:]:
        same = point.t is base.t or (len(point) == len(base) and np.array_equal(point.t, base.t))
        columns.append(point.v if same else point.at(base.t, max_age_s(point)))
    values = np.array(columns)
    whole = np.isfinite(values).all(axis=0)
    if bool(whole.all()):
        return Phases(base.t, values, good), ""
    return Phases(base.t[whole], values[:, whole], good), ""


@dataclass(frozen=True)
class Trip:
    """The stop that the failure stands for: its interval, and how it is known."""

    earliest_ns: int
    latest_ns: int
    stop: Stop | None

    @property
    def is_trip(self) -> bool:
        """Whether the stop is known to be a protection's."""
        return self.stop is not None and self.stop.kind is StopKind.TRIP


def trip_at_failure(subject: Subject) -> Trip | None:
    """The last stop at or about the failure; None where the record shows none there.

    Taken from the table of stops, else from the end of the run in which the failure falls.
    """
    failure_ns = subject.record.failure_ns
    reach_ns = round(subject.limits["duty.failure_reach"] * NS)
    near = [s for s in subject.stops if s.earliest_ns - reach_ns <= failure_ns and s.latest_ns + reach_ns >= failure_ns]
    if near:
        stop = min(near, key=lambda s: abs(s.time_ns - failure_ns))
        return Trip(stop.earliest_ns, stop.latest_ns, stop)
    ends = [
        edge
        for run in subject.runs
        if (edge := run.end) and edge.earliest_ns - reach_ns <= failure_ns <= edge.latest_ns + reach_ns
    ]
    if ends:
        edge = min(ends, key=lambda e: abs(e.latest_ns - failure_ns))
        return Trip(edge.earliest_ns, edge.latest_ns, None)
    return None


def before_failure(subject: Subject) -> Span:
    """The part of the window up to the failure, with the stop that belongs to it."""
    trip = trip_at_failure(subject)
    end_ns = subject.record.failure_ns if trip is None else max(trip.latest_ns, subject.record.failure_ns)
    return Span(subject.record.window.start_ns, max(end_ns + NS, subject.record.window.start_ns + 1))


def smoothed(values: Floats, interval_s: float, over_s: float) -> Floats:
    """Median of three neighbours along the last axis where they lie within ``over_s``: one odd sample is no spell."""
    if 2 * interval_s > over_s or values.shape[-1] < 3:  # noqa: PLR2004 - three neighbours
        return values
    a, b, c = values[..., :-2], values[..., 1:-1], values[..., 2:]
    low, high = np.minimum(a, b), np.maximum(a, b)
    out = values.copy()
    out[..., 1:-1] = np.maximum(low, np.minimum(high, c))
    return out


def widened(subject: Subject, *clocks: str) -> float:
    """Sum of the uncertainties of several clocks, s; infinite where one could not be had."""
    return float(sum(subject.record.uncertainty_s(clock) for clock in dict.fromkeys(clocks)))


def stretches(chosen: Bools, t: Times, gap_s: float) -> list[tuple[int, int]]:
    """First and last index of every true stretch; a gap in the stamps longer than ``gap_s`` ends one."""
    index = np.flatnonzero(chosen)
    if not len(index):
        return []
    cut = (np.diff(index) > 1) | (np.diff(t[index]) > gap_s * NS)
    edges = np.flatnonzero(cut) + 1
    firsts = index[np.concatenate(([0], edges))]
    lasts = index[np.concatenate((edges - 1, [len(index) - 1]))]
    return [(int(a), int(b)) for a, b in zip(firsts, lasts, strict=True)]


def longest(found: list[tuple[int, int]], t: Times) -> tuple[int, int] | None:
    """The stretch that lasts longest."""
    return max(found, key=lambda pair: int(t[pair[1]] - t[pair[0]]), default=None)
