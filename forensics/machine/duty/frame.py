"""What the running machine did: readings of its points aligned at times while the motor ran.

A frame holds, at times while the motor ran, the last reading of each point at or before that time, none older than a
few of its own intervals. Nothing is averaged or interpolated.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from forensics.machine.duty.reading_age import max_age_s
from forensics.machine.runs import Run
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_texts
from forensics.model.findings import Cite, Stop
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS, Samples, Span
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role, StopKind

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Times = NDArray[np.int64]
_WINDOW_STEP_S = 10.0
_HISTORY_STEP_S = 60.0
_MOST_TIMES = 20_000
_RUNNING_SHARE = 0.2


def run_span(run: Run) -> Span:
    """The part of a run in which the motor surely ran."""
    first = run.first_ns if run.begin is None else run.begin.latest_ns
    last = run.last_ns if run.end is None else run.end.earliest_ns
    return Span(first, max(last, first + 1))


def runs_of(subject: Subject) -> tuple[Span, ...]:
    """Spans in which the motor ran; from amps above a fifth of rated where the runs were not cut."""
    if subject.runs:
        return tuple(run_span(run) for run in subject.runs)
    amps = subject.record.point(Role.MOTOR_AMPS)
    if amps is not None and len(amps.usable):
        amps = amps.usable
        rated = subject.machine.rated_load_amps or float(np.max(amps.v))
        return _spans_of(amps.t, amps.v > _RUNNING_SHARE * rated)
    status = subject.record.switch(Role.RUN_STATUS)
    return () if status is None else status.on_spans


def _spans_of(t: Times, on: Mask) -> tuple[Span, ...]:
    edges = np.diff(np.concatenate(([0], on.astype(np.int8), [0])))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return tuple(Span(int(t[a]), int(t[b]) + 1) for a, b in zip(first, last, strict=True))


def rests_of(subject: Subject, least_s: float) -> tuple[Span, ...]:
    """Rests between runs in the window up to the failure, at least so long; edges that the record shows only."""
    record, spans = subject.record, runs_of(subject)
    found = []
    for before, after in pairwise(spans):
        rest = Span(before.end_ns, after.start_ns)
        if rest.end_ns > record.window.start_ns and rest.end_ns <= record.failure_ns and rest.seconds >= least_s:
            found.append(rest)
    return tuple(found)


@dataclass(frozen=True)
class AlignedSamples:
    """Aligned readings while the motor ran, up to the failure.

    Attributes
    ----------
    t
        ns UTC, shape (n,), rising.
    run
        Index into ``spans``, shape (n,).
    since_s, left_s
        Time since the run began and until it ended, s, shape (n,); infinite where the record does not show that end.
    settled
        Past the settling time of a start and outside the unloading of a normal stop, shape (n,).
    judged
        In the case window (else: history), shape (n,).
    values
        By role, canonical units, shape (n,); NaN where there is no reading young enough.
    points
        The point that each role's values come from.
    """

    t: Times
    run: NDArray[np.int64]
    since_s: Floats
    left_s: Floats
    settled: Mask
    judged: Mask
    values: Mapping[Role, Floats]
    points: Mapping[Role, Samples]
    spans: tuple[Span, ...]
    failing: int
    step_s: float

    def of(self, *roles: Role) -> Floats | None:
        """Values of the first of the roles that is logged."""
        return next((self.values[role] for role in roles if role in self.values), None)

    def point(self, *roles: Role) -> Samples | None:
        """The point behind :meth:`of`."""
        return next((self.points[role] for role in roles if role in self.points), None)

    def interval_s(self, *groups: tuple[Role, ...]) -> float:
        """The longest sample interval among the points that stand for each group of roles."""
        found = [p.interval_s for p in (self.point(*group) for group in groups) if p is not None]
        return max(found) if found else float("inf")

    def cites(self, groups: Iterable[tuple[Role, ...]], start_ns: int, end_ns: int) -> tuple[Cite, ...]:
        """Rows of the point that stands for each group, between two times."""
        return tuple(c for group in groups for c in cite(self.point(*group), start_ns, end_ns))

    @property
    def in_failing_run(self) -> Mask:
        """Samples of the run that the failure ended, or that it fell into."""
        return np.asarray((self.run == self.failing) & (self.failing >= 0))


@kept_with_owner
def frame_of(subject: Subject) -> AlignedSamples:
    """The frame of a subject, made once."""
    record, spans = subject.record, runs_of(subject)
    times = _times(subject, spans)
    begins = np.array([s.start_ns for s in spans], dtype=np.int64)
    run = np.searchsorted(begins, times, side="right") - 1
    points = {
        role: best.trusted for role in record.samples if (best := record.point(role)) is not None and len(best.trusted)
    }
    values = {role: point.at(times, max_age_s(point)) for role, point in points.items()}
    since_s, left_s = _position_in_run(subject, spans, times, run)
    failing = _failing_run(subject, spans)
    settle_s, before_stop_s = subject.limits["duty.settle_after_start"], subject.limits["duty.settle_before_stop"]
    trips = [stop for stop in subject.stops if stop.kind is StopKind.TRIP]
    cut_off = failing if not _stopped_as_commanded(subject, failing) else -1
    abrupt = np.array([k == cut_off or _tripped(trips, s) for k, s in enumerate(spans)], dtype=bool)
    near_stop = (left_s < before_stop_s) & ~(abrupt[run] if len(spans) else np.zeros(len(times), dtype=bool))
    return AlignedSamples(
        t=times,
        run=run,
        since_s=since_s,
        left_s=left_s,
        settled=(since_s >= settle_s) & ~near_stop,
        judged=times >= record.window.start_ns,
        values=values,
        points=points,
        spans=spans,
        failing=failing,
        step_s=_WINDOW_STEP_S,
    )


def _times(subject: Subject, spans: tuple[Span, ...]) -> Times:
    """Times at which the frame looks: every 10 s in the window, every minute before it, while the motor ran."""
    record = subject.record
    if not spans:
        return np.empty(0, dtype=np.int64)
    end_ns = min(record.failure_ns + round(_WINDOW_STEP_S * NS), record.window.end_ns)
    parts = []
    for low, high, step_s in (
        (min(spans[0].start_ns, record.window.start_ns), record.window.start_ns, _HISTORY_STEP_S),
        (record.window.start_ns, end_ns, _WINDOW_STEP_S),
    ):
        ran_s = sum(part.seconds for s in spans if (part := s.overlap(Span(low, max(high, low)))) is not None)
        step_ns = round(max(step_s, ran_s / _MOST_TIMES) * NS)
        # counted back from the end, so that the moment of failure is among them
        parts.append(_back_from(high, low, step_ns, spans))
    ends_ns = [s.end_ns - 1 for s in spans if record.window.start_ns <= s.end_ns - 1 < end_ns]
    times = np.union1d(np.concatenate(parts), np.array(ends_ns, dtype=np.int64))
    begins = np.array([s.start_ns for s in spans], dtype=np.int64)
    ends = np.array([s.end_ns for s in spans], dtype=np.int64)
    run = np.searchsorted(begins, times, side="right") - 1
    return np.asarray(times[(run >= 0) & (times <= ends[np.maximum(run, 0)])])


def _back_from(high_ns: int, low_ns: int, step_ns: int, spans: tuple[Span, ...]) -> Times:
    """Times counted back from ``high_ns`` to above ``low_ns`` that lie in a run or at its end."""
    parts = [np.empty(0, dtype=np.int64)]
    for span in spans:
        begin, end = max(span.start_ns, low_ns + 1), min(span.end_ns, high_ns)
        if end < begin:
            continue
        latest, earliest = -((end - high_ns) // step_ns), (high_ns - begin) // step_ns
        parts.append(high_ns - np.arange(earliest, latest - 1, -1, dtype=np.int64) * step_ns)
    return np.unique(np.concatenate(parts))


def _position_in_run(
    subject: Subject, spans: tuple[Span, ...], times: Times, run: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    if not spans:
        return np.empty(0), np.empty(0)
    begins = np.array([s.start_ns for s in spans], dtype=np.float64)
    ends = np.array([s.end_ns for s in spans], dtype=np.float64)
    for k, one in enumerate(subject.runs):
        begins[k] = -np.inf if one.begin is None else begins[k]
        ends[k] = np.inf if one.end is None else ends[k]
    return (times - begins[run]) / NS, (ends[run] - times) / NS


def _failing_run(subject: Subject, spans: tuple[Span, ...]) -> int:
    """Index of the run that holds the failure or ended at it; -1 where the machine stood."""
    reach_ns = round(subject.limits["duty.failure_reach"] * NS)
    at = subject.record.failure_ns
    for k in range(len(spans) - 1, -1, -1):
        wide_ns = reach_ns
        if k < len(subject.runs) and (edge := subject.runs[k].end) is not None:
            wide_ns += edge.latest_ns - edge.earliest_ns
        if spans[k].start_ns <= at:
            return k if at <= spans[k].end_ns + wide_ns else -1
    return -1


def _stopped_as_commanded(subject: Subject, failing: int) -> bool:
    """Whether the run at the failure ended by its own sequence: unloading and pump-down then are no part of duty.

    True only where trips would be known: an event list or a trip point was read, and nothing in it speaks of one.
    """
    record = subject.record
    if not 0 <= failing < len(subject.runs) or subject.runs[failing].end is None:
        return False
    if not (record.log or record.switches.get(Role.TRIP)) or trip_texts(subject):
        return False
    end_ns = subject.runs[failing].last_ns
    ends = [stop for stop in subject.stops if stop.earliest_ns <= end_ns <= stop.latest_ns]
    return bool(ends) and all(stop.kind is StopKind.NORMAL for stop in ends)


def _tripped(trips: list[Stop], span: Span) -> bool:
    return any(stop.earliest_ns <= span.end_ns <= stop.latest_ns + NS for stop in trips)


@dataclass(frozen=True, slots=True)
class Episode:
    """A stretch in which a reading stayed beyond a limit."""

    first: int
    last: int
    seconds: float


def episodes(frame: AlignedSamples, beyond: Mask, usable: Mask, least_s: float, interval_s: float) -> list[Episode]:
    """Stretches of frame samples beyond a limit that last at least ``least_s`` and two samples of the point.

    Unusable samples between two usable ones do not end a stretch unless they last five intervals.
    """
    index = np.flatnonzero(usable)
    if not len(index):
        return []
    on = beyond[index].astype(np.int8)
    apart_s = np.diff(frame.t[index]) / NS
    room_s = max(5.0 * interval_s, 5.0 * frame.step_s) if np.isfinite(interval_s) else 600.0
    broken = (apart_s > room_s) | (np.diff(frame.run[index]) != 0)
    cut = np.flatnonzero(np.diff(on) != 0) + 1
    cuts = np.unique(np.concatenate(([0], cut, np.flatnonzero(broken) + 1, [len(index)])))
    least_s = max(least_s, interval_s if np.isfinite(interval_s) else 0.0)
    out = []
    for a, b in pairwise(cuts):
        if not on[a]:
            continue
        first, last = int(index[a]), int(index[b - 1])
        seconds = (int(frame.t[last]) - int(frame.t[first])) / NS
        if seconds >= least_s:
            out.append(Episode(first, last, seconds))
    return out


def cite(point: Samples | Switch | None, start_ns: int, end_ns: int) -> tuple[Cite, ...]:
    """Rows of a point between two times, widened to the reading that held at the first of them."""
    if point is None or not len(point.t):
        return ()
    low = max(int(np.searchsorted(point.t, start_ns, side="right")) - 1, 0)
    high = max(int(np.searchsorted(point.t, end_ns, side="right")) - 1, low)
    rows = point.row[low : high + 1]
    return (Cite(point.origin.source, point.origin.column, (int(rows.min()), int(rows.max()))),)
