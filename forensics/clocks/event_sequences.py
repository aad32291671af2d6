"""Event trains: what one clock saw happen, each event an interval in that clock's own time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from forensics.model.events import events_of, interval_of
from forensics.model.points import NS, OFF, ON, Edge, Samples, Span
from forensics.model.record import LogLine, Record, Waveform
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role
from forensics.rules import Limits

PHASE_AMPS = (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)
CURRENTS = (Role.MOTOR_AMPS, *PHASE_AMPS)
SOLENOIDS = (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID, Role.BYPASS_SOLENOID, Role.INJECTION_SOLENOID)


@dataclass(frozen=True, slots=True)
class SeenEvent:
    """One event as one clock saw it, in that clock's time, with the row that shows it.

    ``stamp_ns`` is the stamp of the row; ``late`` says that it stands in a list, whose lines come after their events.
    """

    earliest_ns: int
    latest_ns: int
    source: str
    row: int
    stamp_ns: int = 0
    late: bool = False


@dataclass
class Trains:
    """Sightings of one clock by kind, with what it covered."""

    by_kind: dict[str, list[SeenEvent]] = field(default_factory=lambda: defaultdict(list))
    covered: list[Span] = field(default_factory=list)

    @property
    def extent(self) -> tuple[int, int]:
        """From the first to the last that the clock covered, ns in its own time; empty where it covered nothing."""
        if not self.covered:
            return 0, 0
        return min(s.start_ns for s in self.covered), max(s.end_ns for s in self.covered)

    @property
    def has_lists(self) -> bool:
        """Whether some of it stands in lists."""
        return any(seen.late for found in self.by_kind.values() for seen in found)

    def prompt(self, late_s: float) -> Trains:
        """The same with lines of lists at most so late: what comes later than most is no help in finding an offset."""
        reach_ns = round(late_s * NS)
        kinds = {
            kind: [replace(s, earliest_ns=max(s.earliest_ns, s.stamp_ns - reach_ns)) if s.late else s for s in found]
            for kind, found in self.by_kind.items()
        }
        return Trains(defaultdict(list, kinds), self.covered)

    def add(self, kind: str, sightings: Iterable[SeenEvent]) -> None:
        """Add sightings that do not overlap a better one of the same kind."""
        have = self.by_kind[kind]
        taken = sorted((s.earliest_ns, s.latest_ns) for s in have)
        for new in sightings:
            if not any(low <= new.latest_ns and new.earliest_ns <= high for low, high in taken):
                have.append(new)
        have.sort(key=lambda s: s.earliest_ns)


def trains_of(record: Record, clock: str, limits: Limits) -> Trains:
    """Collect what a clock saw: motor starts and stops, trips, solenoid edges, and unnamed lines of event lists."""
    trains = Trains()
    for samples in sorted(_currents(record, clock), key=lambda s: s.interval_s):
        edges = _current_edges(samples, limits["clocks.on_fraction"], limits["clocks.off_fraction"])
        usable, told = samples.usable, _started(record, clock)
        edges = [_from_rest(usable, _before_decay(usable, edge, limits), limits) for edge in edges]
        _add_motor(trains, samples, [_since_told(edge, told, limits) for edge in edges])
        _add_steps(trains, samples, limits)
        _cover(trains, samples)
    delays = dict.fromkeys(record.lists, limits["clocks.list_delay_s"])
    for switch in _switches(record, clock, (Role.RUN_STATUS,)):
        _add_motor(trains, switch, switch.edges, delays)
        _cover(trains, switch)
    for switch in _switches(record, clock, (Role.TRIP,)):
        trains.add("trip", [_seen(switch, e, delays) for e in events_of(switch) if e.to == ON])
        _cover(trains, switch)
    for switch in _switches(record, clock, SOLENOIDS):
        for to, word in ((ON, "on"), (OFF, "off")):
            trains.add(f"{switch.role.value} {word}", [_seen(switch, e, delays) for e in switch.edges if e.to == to])
        _cover(trains, switch)
    for waveform in record.waveforms:
        if waveform.clock == clock:
            _add_waveform(trains, waveform, limits)
    _add_log(trains, [line for line in record.log if line.clock == clock], limits["clocks.list_delay_s"])
    return trains


def _currents(record: Record, clock: str) -> list[Samples]:
    found = [s for role in CURRENTS for s in record.samples.get(role, ()) if s.origin.clock == clock]
    mean = [s for s in found if s.role is Role.MOTOR_AMPS]
    return mean or found[:1] or [s for s in record.samples.get(Role.MOTOR_POWER, ()) if s.origin.clock == clock]


def _switches(record: Record, clock: str, roles: tuple[Role, ...]) -> list[Switch]:
    found = [s for role in roles for s in record.switches.get(role, ()) if s.origin.clock == clock]
    return sorted(found, key=lambda s: s.interval_s)


def _current_edges(samples: Samples, on_fraction: float, off_fraction: float) -> list[Edge]:
    usable = samples.usable
    if not len(usable):
        return []
    running = usable.v[usable.v > on_fraction * float(np.max(usable.v))]
    typical = float(np.median(running)) if len(running) else 0.0
    if typical <= 0:
        return []
    return samples.crossings(off_fraction * typical, on_fraction * typical, 0.0)


def _before_decay(usable: Samples, edge: Edge, limits: Limits) -> Edge:
    """Widen a stop back to the last sample at the full running level: a filtered reading decays after the stop."""
    longest, full_fraction = limits.count("clocks.decay_samples"), limits["clocks.full_fraction"]
    index = int(np.searchsorted(usable.t, edge.earliest_ns, side="right")) - 1
    if edge.to != OFF or index < 1:
        return edge
    level = float(np.median(usable.v[max(index - 3 * longest, 0) : index]))
    back = index
    while back > 0 and index - back < longest and usable.v[back] < full_fraction * level:
        back -= 1
    return Edge(int(usable.t[back]), edge.latest_ns, OFF, edge.row)


def _from_rest(usable: Samples, edge: Edge, limits: Limits) -> Edge:
    """Widen a start back to the last sample without current: behind a drive or a soft starter the current ramps."""
    index = int(np.searchsorted(usable.t, edge.earliest_ns, side="right")) - 1
    if edge.to != ON or index < 1:
        return edge
    rest = limits["clocks.step_running_fraction"] * float(np.max(usable.v))
    first_ns = edge.latest_ns - round(limits["clocks.ramp_s"] * NS)
    while index > 0 and usable.v[index] > rest and usable.t[index] >= first_ns:
        index -= 1
    return Edge(int(usable.t[index]), edge.latest_ns, ON, edge.row)


def _started(record: Record, clock: str) -> list[Edge]:
    """Edges at which a run status of the clock comes on; those of lists come late and are left out."""
    switches = _switches(record, clock, (Role.RUN_STATUS,))
    return [e for switch in switches if switch.origin.source not in record.lists for e in switch.edges if e.to == ON]


def _since_told(edge: Edge, told: list[Edge], limits: Limits) -> Edge:
    """Widen a start back to the run status that came on before its current: a drive magnetises and ramps first."""
    reach_ns = round(limits["clocks.ramp_s"] * NS)
    before = [e.earliest_ns for e in told if edge.earliest_ns - reach_ns <= e.latest_ns <= edge.latest_ns]
    return replace(edge, earliest_ns=min([edge.earliest_ns, *before])) if edge.to == ON else edge


def _add_steps(trains: Trains, samples: Samples, limits: Limits) -> None:
    """Sudden lasting changes of a running current (a phase lost, an internal valve opened), by their onset."""
    usable, width = samples.usable, limits.count("clocks.decay_samples")
    if samples.interval_s > limits["clocks.step_interval_max_s"] or len(usable) <= 4 * width:
        return
    for index in _step_onsets(usable.v, limits):
        kind = "step up" if usable.v[index + width] > usable.v[index] else "step down"
        edge = Edge(int(usable.t[index]), int(usable.t[index + 1]), ON, int(usable.row[index + 1]))
        trains.add(kind, [_seen(samples, edge)])


def _step_onsets(values: NDArray[np.float64], limits: Limits) -> list[int]:
    """Indices of the last value before a lasting change of a running current that is steady on both sides."""
    width, top = limits.count("clocks.decay_samples"), float(values.max())
    view = np.lib.stride_tricks.sliding_window_view(values, width)
    low, high = view.min(axis=1), view.max(axis=1)
    before, after = slice(0, len(view) - 2 * width), slice(2 * width, len(view))
    level = (low[before] + high[before]) / 2.0
    change = np.abs((low[after] + high[after]) / 2.0 - level)
    calm = np.maximum(high[before] - low[before], high[after] - low[after])
    running = np.minimum(low[before], low[after]) > limits["clocks.step_running_fraction"] * top
    hit = running & (change > limits["clocks.step_share"] * level) & (calm < change / 2.0)
    onset = limits["clocks.step_onset_fraction"]
    found: list[int] = []
    for start, end in _spells(hit):
        middle = (start + end) // 2
        span = values[middle : middle + 3 * width]
        moved = np.flatnonzero(np.abs(span - level[middle]) > max(float(calm[middle]), onset * float(change[middle])))
        if len(moved) and moved[0] > 0:
            found.append(int(middle + moved[0] - 1))
    return found


def _spells(hit: NDArray[np.bool_]) -> list[tuple[int, int]]:
    padded = np.concatenate(([False], hit, [False])).astype(np.int8)
    edges = np.diff(padded)
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def _add_motor(
    trains: Trains, point: Samples | Switch, edges: Iterable[Edge], delays: Mapping[str, float] | None = None
) -> None:
    edges = list(edges)
    trains.add("start", [_seen(point, e, delays) for e in edges if e.to == ON])
    trains.add("stop", [_seen(point, e, delays) for e in edges if e.to == OFF])


def _seen(point: Samples | Switch, edge: Edge, delays: Mapping[str, float] | None = None) -> SeenEvent:
    """An edge as a sighting; one of a list may have happened as long before as such lines come late."""
    source = point.origin.source
    late_s = (delays or {}).get(source)
    low, high = interval_of(point.origin, edge, late_s or 0.0)
    return SeenEvent(low, high, source, edge.row, edge.latest_ns, late=late_s is not None)


def _cover(trains: Trains, point: Samples | Switch) -> None:
    if len(point):
        trains.covered.append(Span(int(point.t[0]), int(point.t[-1]) + 1))


def _add_waveform(trains: Trains, waveform: Waveform, limits: Limits) -> None:
    """Current that begins or ends inside a record, from one-cycle rms of its phases.

    The limit is a small part of the largest current, since an inrush is some 15 times an unloaded current; breaks
    shorter than the dwell belong to a starter's transition.
    """
    on_fraction, dwell_s = limits["clocks.waveform_on_fraction"], limits["clocks.waveform_dwell_s"]
    trains.covered.append(waveform.span)
    phases = [waveform.analog[role] for role in PHASE_AMPS if role in waveform.analog]
    step_s = waveform.interval_s
    if not phases or not np.isfinite(step_s) or step_s <= 0 or waveform.line_hertz <= 0:
        return
    width = max(round(1.0 / (waveform.line_hertz * step_s)), 1)
    if len(phases[0]) <= 2 * width:
        return
    rms = np.mean([cycle_rms(phase, width) for phase in phases], axis=0)
    on = _without_short_breaks(rms > on_fraction * float(np.max(rms)), round(dwell_s / step_s))
    for index in np.flatnonzero(np.diff(on.astype(np.int8))) + 1:
        trains.add("start" if on[index] else "stop", [_in_waveform(waveform, int(index), width)])
    steady, settled = rms[::width], limits.count("clocks.decay_samples")
    if not on.all() or len(steady) <= 4 * settled:
        return
    for cycle in _step_onsets(steady, limits):
        kind = "step up" if steady[cycle + settled] > steady[cycle] else "step down"
        trains.add(kind, [_in_waveform(waveform, cycle * width + 1, 2 * width)])


def cycle_rms(phase: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """RMS of each stretch of ``width`` samples, shape (n - width + 1,) of n samples."""
    summed = np.concatenate(([0.0], np.cumsum(np.square(np.nan_to_num(phase)))))
    rms: NDArray[np.float64] = np.sqrt(np.maximum(summed[width:] - summed[:-width], 0.0) / width)
    return rms


def _in_waveform(waveform: Waveform, index: int, width: int) -> SeenEvent:
    last = len(waveform.time_s) - 1
    low = waveform.start_ns + round(float(waveform.time_s[max(index - 1, 0)]) * NS)
    high = waveform.start_ns + round(float(waveform.time_s[min(index + width, last)]) * NS)
    return SeenEvent(low, high, waveform.source, index + 1)


def _without_short_breaks(on: NDArray[np.bool_], shortest: int) -> NDArray[np.bool_]:
    """Join spells of "on" that are closer than ``shortest`` samples, and drop spells that are shorter."""
    out = on.copy()
    for wanted in (False, True):
        change = np.flatnonzero(np.diff(out.astype(np.int8))) + 1
        bounds = np.concatenate(([0], change, [len(out)]))
        for start, end in pairwise(bounds):
            inside = start > 0 and end < len(out)
            if inside and out[start] == wanted and end - start < shortest:
                out[start:end] = not wanted
    return out


def _add_log(trains: Trains, lines: list[LogLine], late_s: float) -> None:
    """Lines that repeat under one name are an event of unknown kind; matching finds out which."""
    groups: dict[tuple[str, str, str], list[LogLine]] = defaultdict(list)
    named = {(seen.source, seen.row) for kind in ("start", "stop") for seen in trains.by_kind.get(kind, ())}
    # stamps that are all whole seconds were cut to them; what carries a part of a second says when it was written
    step_ns = NS if all(line.time_ns % NS == 0 for line in lines) else NS // 1000
    for line in lines:
        if (line.source, line.row) in named:
            continue  # bound to a run status: what kind of event it is stands there
        groups[(line.source, line.point, line.value or line.text)].append(line)
    for (source, point, value), found in groups.items():
        late_ns = round(late_s * NS)
        seen = [SeenEvent(x.time_ns - late_ns, x.time_ns + step_ns, source, x.row, x.time_ns, late=True) for x in found]
        trains.by_kind[f"line:{point} {value}"] = sorted(seen, key=lambda s: s.earliest_ns)
    if lines:
        times = [line.time_ns for line in lines]
        trains.covered.append(Span(min(times), max(times) + NS))
