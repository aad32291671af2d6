"""What the running machine did, at like duty: aligned readings for several families.

A frame holds, at times while the motor ran, the last reading of each point at or before that time, none older than a
few of its own intervals. Nothing is averaged or interpolated. The machine's own usual is fitted to earlier running,
against capacity and lift, and a later reading is held against that only where its duty was seen before.
"""

from __future__ import annotations

import weakref
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from forensics.findings import Cite
from forensics.record import NS, UNUSABLE, Samples, Span, Switch
from forensics.signatures.base import Subject
from forensics.runs import Run
from forensics.vocabulary import Quality, Recorded, Role, StopKind

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Times = NDArray[np.int64]

_DISTRUSTED = np.uint16(UNUSABLE | int(Quality.STUCK | Quality.PASTED))
_WINDOW_STEP_S = 10.0
_HISTORY_STEP_S = 60.0
_MOST_TIMES = 20_000
_RUNNING_SHARE = 0.2
_MAD_TO_SIGMA = 1.4826
_CELLS = 1009
_MOST_WEIGHT_S = 120.0
_CELL_LEAST = 12
HIGH_SIDE = (Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE, Role.HIGH_SIDE_PRESSURE)
DISCHARGE = (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE, Role.HIGH_SIDE_PRESSURE)


def trusted(samples: Samples) -> Samples:
    """Readings that may speak for health: none missing, out of range, stuck or pasted."""
    flags = int(np.bitwise_or.reduce(samples.q)) if len(samples) else 0
    # one sum tells whether any reading is not finite; most long records have neither flag nor gap
    if not flags & int(_DISTRUSTED) and np.isfinite(np.sum(samples.v)):
        return samples
    good = ((samples.q & _DISTRUSTED) == 0) & np.isfinite(samples.v)
    return replace(samples, t=samples.t[good], v=samples.v[good], q=samples.q[good], row=samples.row[good])


def max_age_s(samples: Samples) -> float | None:
    """How old a reading may be and still stand for a moment; None for change logs without a hold limit."""
    if samples.origin.recorded is Recorded.CHANGE:
        return samples.origin.hold_s
    return max(3.0 * samples.interval_s, 3.0) if np.isfinite(samples.interval_s) else None


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
class Frame:
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

    @property
    def in_failing_run(self) -> Mask:
        """Samples of the run that the failure ended, or that it fell into."""
        return np.asarray((self.run == self.failing) & (self.failing >= 0))


_cache: list[tuple[weakref.ref[Subject], Frame]] = []


def frame_of(subject: Subject) -> Frame:
    """The frame of a subject, made once."""
    for known, frame in _cache:
        if known() is subject:
            return frame
    frame = _make_frame(subject)
    _cache[:] = [(weakref.ref(subject), frame)]
    return frame


def _make_frame(subject: Subject) -> Frame:
    record, spans = subject.record, runs_of(subject)
    times = _times(subject, spans)
    begins = np.array([s.start_ns for s in spans], dtype=np.int64)
    run = np.searchsorted(begins, times, side="right") - 1
    points = {
        role: best
        for role, found in record.samples.items()
        if (best := next((t for p in found if len(t := trusted(p))), None)) is not None
    }
    values = {role: point.at(times, max_age_s(point)) for role, point in points.items()}
    since_s, left_s = _position_in_run(subject, spans, times, run)
    failing = _failing_run(subject, spans)
    settle_s, before_stop_s = subject.limits["duty.settle_after_start"], subject.limits["duty.settle_before_stop"]
    abrupt = np.array([k == failing or _tripped(subject, s) for k, s in enumerate(spans)], dtype=bool)
    near_stop = (left_s < before_stop_s) & ~(abrupt[run] if len(spans) else np.zeros(len(times), dtype=bool))
    return Frame(
        times,
        run,
        since_s,
        left_s,
        (since_s >= settle_s) & ~near_stop,
        times >= record.window.start_ns,
        values,
        points,
        spans,
        failing,
        _WINDOW_STEP_S,
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
        parts.append(np.arange(high, low, -step_ns, dtype=np.int64)[::-1])
    ends_ns = [s.end_ns - 1 for s in spans if record.window.start_ns <= s.end_ns - 1 < end_ns]
    times = np.union1d(np.concatenate(parts), np.array(ends_ns, dtype=np.int64))
    begins = np.array([s.start_ns for s in spans], dtype=np.int64)
    ends = np.array([s.end_ns for s in spans], dtype=np.int64)
    run = np.searchsorted(begins, times, side="right") - 1
    return np.asarray(times[(run >= 0) & (times <= ends[np.maximum(run, 0)])])


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


def _tripped(subject: Subject, span: Span) -> bool:
    return any(
        stop.kind is StopKind.TRIP and stop.earliest_ns <= span.end_ns <= stop.latest_ns + NS for stop in subject.stops
    )


@dataclass(frozen=True)
class Derived:
    """Quantities of the refrigerant circuit over a frame, each shape (n,), NaN where a part is missing.

    Superheat stands on the dew line, subcooling on the bubble line.
    """

    suction_dew_c: Floats
    condensing_dew_c: Floats
    lift_k: Floats
    superheat_k: Floats
    discharge_superheat_k: Floats
    subcooling_k: Floats


_derived: list[tuple[weakref.ref[Subject], Derived]] = []


def derived_of(subject: Subject, frame: Frame) -> Derived:
    """Superheat (dew), subcooling (bubble) and lift over the subject's frame, made once."""
    for known, derived in _derived:
        if known() is subject:
            return derived
    derived = _derive(subject, frame)
    _derived[:] = [(weakref.ref(subject), derived)]
    return derived


def _derive(subject: Subject, frame: Frame) -> Derived:
    blank = np.full(len(frame.t), np.nan)
    curve = subject.saturation
    if curve is None:
        return Derived(*([blank] * 6))

    def get(*roles: Role) -> Floats:
        found = frame.of(*roles)
        return blank if found is None else found

    dew_s, dew_h = curve.dew_c(get(Role.SUCTION_PRESSURE)), curve.dew_c(get(*HIGH_SIDE))
    return Derived(
        dew_s,
        dew_h,
        dew_h - dew_s,
        get(Role.SUCTION_TEMPERATURE) - dew_s,
        get(Role.DISCHARGE_TEMPERATURE) - curve.dew_c(get(*DISCHARGE)),
        curve.bubble_c(get(*HIGH_SIDE)) - get(Role.LIQUID_TEMPERATURE),
    )


def duty_of(subject: Subject, frame: Frame, *, lift: bool) -> tuple[tuple[Floats | None, float], ...]:
    """The duties that a usual is fitted to: capacity (slide, else amps), drive speed and, if wanted, lift.

    Lift is that of the saturation temperatures, or the pressure difference where the refrigerant has no data.
    """
    limits = subject.limits
    amps = frame.of(Role.MOTOR_AMPS)
    rated = subject.machine.rated_load_amps or (float(np.nanmax(amps)) if amps is not None and len(amps) else 1.0)
    slide = frame.of(Role.SLIDE_POSITION)
    found: list[tuple[Floats | None, float]] = [(frame.of(Role.DRIVE_HERTZ), limits["duty.room_drive"])]
    if slide is not None:
        found.append((slide, limits["duty.room_slide"]))
    elif amps is not None:
        found.append((amps, limits["duty.room_amps"] * rated))
    if lift:
        lift_k = derived_of(subject, frame).lift_k
        if np.isfinite(lift_k).any():
            found.append((lift_k, limits["duty.room_lift"]))
    return tuple(found)


@dataclass(frozen=True)
class Usual:
    """A reading against the machine's own earlier running at like duty.

    Attributes
    ----------
    deviation
        Reading less what is usual at that duty, shape (n,); NaN where the duty was not seen before.
    usual
        What is usual, shape (n,).
    sigma
        Robust spread of the earlier running about it; NaN where there is too little of it.
    baseline
        Which samples it rests on, shape (n,).
    why_not
        Why there is no usual, empty where there is.
    """

    deviation: Floats
    usual: Floats
    sigma: float
    baseline: Mask
    why_not: str


def own_usual(
    subject: Subject,
    frame: Frame,
    reading: Floats,
    *duties: tuple[Floats | None, float],
    learn: Mask | None = None,
) -> Usual:
    """Hold a reading against the machine's own earlier running.

    The baseline is the settled running that ended an hour or more before the failure (in short records: a quarter
    hour, in earlier runs); of a long record its older half, so that a fault which grew is not held against itself.
    A least-squares plane over the duties, fitted twice with samples beyond four robust deviations left out, and the
    median of what it leaves at like duty give the usual.

    Parameters
    ----------
    reading
        Shape (n,).
    duties
        Each a quantity (n,), or None where it is not logged, and how far outside the range seen before it may lie.
    learn
        Which samples may teach what is usual, shape (n,); None: all.
    """
    n = len(frame.t)
    blank = np.full(n, np.nan)
    columns = [(d, room) for d, room in duties if d is not None and np.isfinite(d).any()]
    usable = frame.settled & np.isfinite(reading)
    for duty, _ in columns:
        usable &= np.isfinite(duty)
    base, ran_s = _baseline(subject, frame, usable if learn is None else usable & learn)
    if ran_s < subject.limits["duty.baseline_least"]:
        return Usual(blank, blank, float("nan"), base, "too little settled running earlier to know what is usual")
    if ran_s > subject.limits["duty.baseline_long"]:
        chosen = np.flatnonzero(base)
        base = np.zeros(n, dtype=bool)
        base[chosen[: len(chosen) // 2]] = True
    design = np.column_stack([np.ones(n), *(d for d, _ in columns)])
    centre = np.median(design[base], axis=0)
    centre[0] = 0.0
    usual, _ = _plane(design - centre, reading, base)
    local = _local(reading - usual, base, columns)
    usual = usual + local
    left = (reading - usual)[base & np.isfinite(usual)]
    sigma = float(_MAD_TO_SIGMA * np.median(np.abs(left))) if len(left) else float("nan")
    like = usable & np.isfinite(usual)
    return Usual(np.where(like, reading - usual, np.nan), usual, sigma, base, "")


def _baseline(subject: Subject, frame: Frame, usable: Mask) -> tuple[Mask, float]:
    """Samples that may teach what is usual and for how long the machine ran in them, s."""
    limits = subject.limits
    n = len(frame.t)
    weight_s = np.minimum(np.diff(frame.t, prepend=frame.t[:1]) / NS, _MOST_WEIGHT_S) if n else np.empty(0)
    base, ran_s = np.zeros(n, dtype=bool), 0.0
    for gap in ("duty.baseline_gap", "duty.baseline_gap_short"):
        base = usable & (frame.t < subject.record.failure_ns - round(limits[gap] * NS))
        if gap == "duty.baseline_gap_short" and frame.failing >= 0:
            base &= ~frame.in_failing_run
        ran_s = float(np.sum(weight_s[base]))
        if ran_s >= limits["duty.baseline_least"]:
            break
    return base, ran_s


def _local(residual: Floats, base: Mask, columns: list[tuple[Floats, float]]) -> Floats:
    """Median of the baseline's residuals at like duty; NaN where that duty was hardly seen before.

    Duties are cut into cells as wide as their rooms, on two grids half a cell apart: a sample takes the cell that holds
    more of the baseline.
    """
    n = len(residual)
    if not columns:
        return np.full(n, float(np.median(residual[base])) if base.any() else np.nan)
    best, most = np.full(n, np.nan), np.zeros(n, dtype=np.int64)
    for shift in (0.0, 0.5):
        code = np.zeros(n, dtype=np.int64)
        for duty, room in columns:
            cell = np.floor(np.where(np.isfinite(duty), duty, 0.0) / room + shift).astype(np.int64)
            code = code * _CELLS + (cell % _CELLS)
        order = np.lexsort((residual[base], code[base]))
        codes, first, counts = np.unique(code[base][order], return_index=True, return_counts=True)
        middle = residual[base][order][first + counts // 2]
        at = np.minimum(np.searchsorted(codes, code), len(codes) - 1)
        held = np.where(codes[at] == code, counts[at], 0)
        take = (held > most) & (held >= _CELL_LEAST)
        best, most = np.where(take, middle[at], best), np.where(take, held, most)
    return best


def _plane(design: Floats, reading: Floats, base: Mask) -> tuple[Floats, float]:
    kept = base.copy()
    usual, sigma = np.full(len(reading), np.nan), float("nan")
    spread = np.std(design[base], axis=0)
    spread[0] = 1.0
    ridge = np.diag(np.where(spread > 0, 1e-3, 1.0)) * np.sqrt(float(kept.sum()))
    ridge[0, 0] = 0.0
    scale = np.where(spread > 0, spread, 1.0)
    for _ in range(2):
        a = np.vstack([design[kept] / scale, ridge])
        b = np.concatenate([reading[kept], np.zeros(len(scale))])
        solution = np.linalg.lstsq(a, b, rcond=None)[0]
        usual = (design / scale) @ solution
        residual = reading[base] - usual[base]
        sigma = float(_MAD_TO_SIGMA * np.median(np.abs(residual - np.median(residual))))
        kept = base.copy()
        kept[base] = np.abs(residual) <= max(4.0 * sigma, 1e-9)
        if kept.sum() < len(scale) + 2:
            break
    return usual, sigma


@dataclass(frozen=True, slots=True)
class Episode:
    """A stretch in which a reading stayed beyond a limit."""

    first: int
    last: int
    seconds: float


def episodes(frame: Frame, beyond: Mask, usable: Mask, least_s: float, interval_s: float) -> list[Episode]:
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
