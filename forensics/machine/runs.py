"""When the motor ran: runs found from current first, then power, run status, run command."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from forensics.model.events import events_of
from forensics.model.points import NS, OFF, ON, Edge, Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role, State
from forensics.rules import Limits, read_limits

_RUN_WORDS = re.compile(r"\b(run|running|compressor (started|stopped))\b", re.IGNORECASE)
_ON_WORDS = frozenset({"on", "1", "true", "run", "running", "started", "start"})
_OFF_WORDS = frozenset({"off", "0", "false", "stopped", "stop"})
_NARROW_ENOUGH_S = 3.0
_NEXT_BUT_ONE = 2
_PHASES = (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the motor: current on to current off.

    Attributes
    ----------
    begin, end
        Edges; None where the record begins or ends inside the run.
    first_ns, last_ns
        Best estimates of both ends, ns UTC (bounds of the record where an edge is None).
    seen_in
        Role that showed the run; what narrowed an edge is appended after ``+``.
    """

    begin: Edge | None
    end: Edge | None
    first_ns: int
    last_ns: int
    seen_in: str


@dataclass(frozen=True, slots=True)
class StateSpan:
    """One state, half-open in ns UTC; ``inferred`` where commands did not settle it."""

    state: State
    start_ns: int
    end_ns: int
    inferred: bool


def find_runs(
    record: Record, limits: Limits | None = None, *, rated_load_amps: float | None = None, on_drive: bool = False
) -> tuple[Run, ...]:
    """Find every run of the motor, history included.

    Current decides (two thresholds, as shares of rated or else of its own usual running level); where there is none,
    power, run status, then the run command. Slower points serve only outside the time that faster ones cover. A
    drop-out below ``states.dropout_s`` does not end a run. A wide edge is narrowed by a better resolved run status,
    trip or run line of an event list inside it; its interval is widened by the uncertainty of the clock.

    Parameters
    ----------
    on_drive
        Whether a frequency drive feeds the motor: at low speed and unloaded it draws far less than a motor on the line.

    Returns
    -------
    tuple of Run
        In time order, not overlapping.
    """
    rules = limits or read_limits()
    runs: list[Run] = []
    covered: list[tuple[int, int]] = []
    hints = _hints(record)
    for point in _evidence(record):
        if not len(point):
            continue
        found = _runs_in(record, point, rules, rated_load_amps, on_drive=on_drive)
        free = [run for run in found if all(run.last_ns <= a or run.first_ns >= b for a, b in covered)]
        unsure_s = 2.0 * record.uncertainty_s(point.origin.clock)
        # an edge that is wide by its clock alone is left: moved, it would no longer fit what else that clock timed
        runs.extend(_narrowed(run, hints, unsure_s + _NARROW_ENOUGH_S) for run in free)
        covered.append((int(point.t[0]), max(int(point.t[-1]), alive_until(record, point)) + 1))
    return tuple(sorted(runs, key=lambda run: run.first_ns))


def apart_from_runs_s(record: Record, clock: str) -> float:
    """How far (s) a clock may be from those that show the runs: 0 where one of their points is on it."""
    if any(point.origin.clock == clock and len(point) for point in _evidence(record)):
        return 0.0
    return record.uncertainty_s(clock)


def _evidence(record: Record) -> list[Samples | Switch]:
    """Points that tell running from not, best first: a slower or weaker one counts only where the better is silent."""
    amps = sorted([p for p in record.samples.get(Role.MOTOR_AMPS, ()) if len(p.usable)], key=lambda p: p.interval_s)
    largest = largest_phase(record)
    phases = [] if largest is None else [largest]
    power = [p for p in record.samples.get(Role.MOTOR_POWER, ()) if len(p.usable)]
    status = [*record.switches.get(Role.RUN_STATUS, ())]
    command = [*record.switches.get(Role.RUN_COMMAND, ())]
    if phases and amps and phases[0].interval_s < amps[0].interval_s / 2:
        return [*phases, *amps, *power, *status, *command]
    return [*amps, *phases, *power, *status, *command]


def largest_phase(record: Record) -> Samples | None:
    """The largest of the phase currents at the times of the first: one lost phase does not stop a motor.

    None where fewer than two phases are logged.
    """
    found = [p for p in (record.point(role) for role in _PHASES) if p is not None and len(p.usable)]
    if len(found) <= 1:
        return None
    first = found[0].usable
    if any(p.interval_s > 2 * first.interval_s for p in found):
        return None
    age_s = None if first.origin.recorded is Recorded.CHANGE else 2.0 * max(first.interval_s, 1.0)
    values = np.vstack([p.at(first.t, age_s) for p in found])
    known = np.where(np.isfinite(values), values, -np.inf)
    return replace(first, v=np.max(known, axis=0))


def _runs_in(
    record: Record, point: Samples | Switch, rules: Limits, rated: float | None, *, on_drive: bool
) -> list[Run]:
    if isinstance(point, Switch):
        return _switch_runs(record, point)
    usable = point.usable
    on_level, off_level = _levels(point, rules, rated, on_drive=on_drive)
    if not len(usable) or not np.isfinite(on_level):
        return []
    t, v = usable.t, usable.v
    state = _filled(v, on_level, off_level)
    begins, ends = _spells(state)
    begins, ends = _without_dropouts(begins, ends, t, rules["states.dropout_s"])
    begins, ends = _confirmed(begins, ends, t, record, point)
    wide = record.uncertainty_s(point.origin.clock)
    runs = []
    for first, last in zip(begins, ends, strict=True):
        stop = _fell(v, t, int(last), rules) if last + 1 < len(t) else len(t)
        begin = _edge(point, usable, int(first), ON, wide) if first > 0 else None
        end = _edge(point, usable, stop, OFF, wide) if last + 1 < len(t) else None
        until = int(t[last]) if end is not None else max(int(t[last]), alive_until(record, point))
        runs.append(_run(begin, end, int(t[first]), until, point.role.value))
    return runs


def alive_until(record: Record, point: Samples | Switch) -> int:
    """Until when a point is known: its last row, or for change-of-value logs the last row of its source."""
    if not len(point) or point.origin.recorded is not Recorded.CHANGE:
        return int(point.t[-1]) if len(point) else record.history.start_ns
    tables: list[Samples | Switch] = [p for found in record.samples.values() for p in found]
    tables.extend(p for switches in record.switches.values() for p in switches)
    same = [int(p.t[-1]) for p in tables if len(p) and p.origin.source == point.origin.source]
    last = max(same, default=int(point.t[-1]))
    return last if point.origin.hold_s is None else min(last, int(point.t[-1]) + round(point.origin.hold_s * NS))


def _run(begin: Edge | None, end: Edge | None, first_ns: int, last_ns: int, seen_in: str) -> Run:
    first = first_ns if begin is None else (begin.earliest_ns + begin.latest_ns) // 2
    last = last_ns if end is None else (end.earliest_ns + end.latest_ns) // 2
    return Run(begin, end, first, max(last, first), seen_in)


def _levels(point: Samples, rules: Limits, rated: float | None, *, on_drive: bool) -> tuple[float, float]:
    usual = rated if point.role is not Role.MOTOR_POWER else None
    if usual is None:
        positive = point.usable.v[point.usable.v > 0]
        if not len(positive):
            return float("inf"), float("inf")
        running = positive[positive > rules["states.off_fraction"] * float(np.percentile(positive, 99.0))]
        usual = float(np.median(running)) if len(running) else float("inf")
        if point.role is not Role.MOTOR_POWER and usual < rules["states.least_running_amps"]:
            return float("inf"), float("inf")
    if on_drive:
        return rules["states.on_fraction_drive"] * usual, rules["states.off_fraction_drive"] * usual
    return rules["states.on_fraction"] * usual, rules["states.off_fraction"] * usual


def _filled(v: NDArray[np.float64], on_level: float, off_level: float) -> NDArray[np.int8]:
    raw = np.full(len(v), -1, np.int8)
    raw[v <= off_level] = 0
    raw[v >= on_level] = 1
    known = np.flatnonzero(raw >= 0)
    if not len(known):
        return np.zeros(len(v), np.int8)
    between = np.flatnonzero(raw < 0)
    raw[between] = raw[known[np.maximum(np.searchsorted(known, between) - 1, 0)]]
    return raw


def _spells(state: NDArray[np.int8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last index of every spell of ones."""
    step = np.diff(np.concatenate(([0], state, [0])))
    return np.flatnonzero(step == 1).astype(np.int64), np.flatnonzero(step == -1).astype(np.int64) - 1


def _without_dropouts(
    begins: NDArray[np.int64], ends: NDArray[np.int64], t: NDArray[np.int64], dropout_s: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    if len(begins) <= 1:
        return begins, ends
    # from the first to the last sample without current: what the spell surely lasted
    apart = (t[np.maximum(begins[1:] - 1, 0)] - t[np.minimum(ends[:-1] + 1, len(t) - 1)]) / NS >= dropout_s
    # where samples are further apart than the drop-out, one sample without current may be either: kept as a stop
    slow = (t[begins[1:]] - t[ends[:-1]]) / NS >= 2 * dropout_s
    keep = apart | slow
    return begins[np.concatenate(([True], keep))], ends[np.concatenate((keep, [True]))]


def _confirmed(
    begins: NDArray[np.int64], ends: NDArray[np.int64], t: NDArray[np.int64], record: Record, point: Samples
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Drop spells of one sample, and join over gaps of one sample, that a run status of the same rate contradicts."""
    status = record.switch(Role.RUN_STATUS)
    same = status is not None and status.origin.source == point.origin.source
    if status is None or not same or status.interval_s > point.interval_s or not len(begins):
        return begins, ends
    lone = np.array([b == e and status.at(int(t[b])) == OFF for b, e in zip(begins, ends, strict=True)], dtype=bool)
    if point.origin.recorded is not Recorded.CHANGE:
        begins, ends = begins[~lone], ends[~lone]
    if len(begins) <= 1:
        return begins, ends
    single = begins[1:] - ends[:-1] == _NEXT_BUT_ONE
    joined = np.array(
        [one and status.at(int(t[e + 1])) == ON for one, e in zip(single, ends[:-1], strict=True)], dtype=bool
    )
    return begins[np.concatenate(([True], ~joined))], ends[np.concatenate((~joined, [True]))]


def _fell(v: NDArray[np.float64], t: NDArray[np.int64], last: int, rules: Limits) -> int:
    """Index of the first sample after the current ended: meters average, so their reading falls over some samples.

    Each of those lies well below the one before it; a current that stands, as after the inrush of a short run, flows.
    """
    index = last + 1
    reach = int(np.searchsorted(t, int(t[index]) - round(rules["states.falling_s"] * NS)))
    level = float(np.median(v[max(0, reach - 10) : max(reach, 1)])) if reach else float(v[last])
    low, step = rules["states.falling_share"] * level, rules["states.falling_step"]
    while index - 1 > reach and v[index - 1] < min(low, step * v[index - 2]):
        index -= 1
    return index


def _edge(point: Samples, usable: Samples, index: int, to: int, wide_s: float) -> Edge:
    latest = int(usable.t[index])
    exact = point.origin.recorded is Recorded.CHANGE
    earliest = latest - round(min(point.interval_s, 1.0) * NS) if exact else int(usable.t[index - 1])
    if exact and usable.lost is not None:
        # the log fell silent in between: the change is anywhere from there on
        before = usable.lost[(usable.lost > usable.t[index - 1]) & (usable.lost < latest)]
        earliest = min(earliest, int(before[0])) if len(before) else earliest
    extra = round(wide_s * NS) if np.isfinite(wide_s) else 0
    return Edge(earliest - extra, latest + extra, to, int(usable.row[index]))


def _switch_runs(record: Record, switch: Switch) -> list[Run]:
    wide = record.uncertainty_s(switch.origin.clock)
    extra = round(wide * NS) if np.isfinite(wide) else 0
    runs: list[Run] = []
    begin: Edge | None = None
    known = switch.state >= 0
    if not known.any():
        return []
    running, first_ns = bool(switch.state[known][0] == ON), int(switch.t[known][0])
    for edge in switch.edges:
        moved = replace(edge, earliest_ns=edge.earliest_ns - extra, latest_ns=edge.latest_ns + extra)
        if edge.to == ON:
            begin, first_ns, running = moved, edge.latest_ns, True
        elif running:
            runs.append(_run(begin, moved, first_ns, edge.latest_ns, switch.role.value))
            begin, running = None, False
    if running:
        runs.append(_run(begin, None, first_ns, alive_until(record, switch), switch.role.value))
    return runs


@dataclass(frozen=True, slots=True)
class _Hint:
    """Edges of one point that may narrow a wider edge, sorted by ``latest``."""

    name: str
    to: int
    earliest: NDArray[np.int64]
    latest: NDArray[np.int64]


def _hints(record: Record) -> list[_Hint]:
    found: list[tuple[str, int, list[tuple[int, int]]]] = []
    for switch in record.switches.get(Role.RUN_STATUS, ()):
        extra = _clock_ns(record, switch.origin.clock)
        for to in (ON, OFF):
            late = round(record.late_s(switch.origin.source) * NS)
            pairs = [(e.earliest_ns - late - extra, e.latest_ns + extra) for e in switch.edges if e.to == to]
            found.append((switch.role.value, to, pairs))
    for switch in record.switches.get(Role.TRIP, ()):
        step_s = switch.interval_s if np.isfinite(switch.interval_s) else 60.0
        extra = _clock_ns(record, switch.origin.clock) + round(step_s * NS)
        late = round(record.late_s(switch.origin.source) * NS)
        trips = [edge.latest_ns for edge in events_of(switch) if edge.to == ON]
        found.append((switch.role.value, OFF, [(t - late - extra, t + extra) for t in trips]))
    found.extend(_log_hints(record))
    return [
        _Hint(name, to, *(np.array(x, dtype=np.int64) for x in zip(*sorted(pairs, key=lambda p: p[1]), strict=True)))
        for name, to, pairs in found
        if pairs
    ]


def _log_hints(record: Record) -> Iterable[tuple[str, int, list[tuple[int, int]]]]:
    by_state: dict[int, list[tuple[int, int]]] = {ON: [], OFF: []}
    for line in record.log:
        if not (_RUN_WORDS.search(line.point) or _RUN_WORDS.search(line.text)):
            continue
        value = line.value.strip().lower()
        to = ON if value in _ON_WORDS else OFF if value in _OFF_WORDS else None
        if to is not None:
            extra = _clock_ns(record, line.clock) + NS
            late = round(record.late_s(line.source) * NS)
            by_state[to].append((line.time_ns - late - extra, line.time_ns + extra))
    return [("event list", to, pairs) for to, pairs in by_state.items()]


def _clock_ns(record: Record, clock: str) -> int:
    wide = record.uncertainty_s(clock)
    # a clock without a known offset places nothing: an edge so wide never narrows another
    return round(wide * NS) if np.isfinite(wide) else 2**60


def _narrowed(run: Run, hints: list[_Hint], enough_s: float) -> Run:
    begin, why_begin = _narrow(run.begin, ON, hints, enough_s)
    end, why_end = _narrow(run.end, OFF, hints, enough_s)
    names = sorted({why for why in (why_begin, why_end) if why})
    if not names:
        return run
    first = run.first_ns if begin is None else (begin.earliest_ns + begin.latest_ns) // 2
    last = run.last_ns if end is None else (end.earliest_ns + end.latest_ns) // 2
    return Run(begin, end, first, max(first, last), "+".join([run.seen_in, *names]))


def _narrow(edge: Edge | None, to: int, hints: list[_Hint], enough_s: float) -> tuple[Edge | None, str]:
    if edge is None or edge.width_s <= enough_s:
        return edge, ""
    best, why = edge, ""
    for hint in hints:
        if hint.to != to:
            continue
        low = int(np.searchsorted(hint.latest, edge.earliest_ns))
        inside = [i for i in range(low, len(hint.latest)) if hint.earliest[i] <= edge.latest_ns][:4]
        for i in inside[-1:] if to == OFF else inside[:1]:
            a, b = max(int(hint.earliest[i]), edge.earliest_ns), min(int(hint.latest[i]), edge.latest_ns)
            if b - a < best.latest_ns - best.earliest_ns:
                best, why = Edge(a, b, to, edge.row), hint.name
    return best, why
