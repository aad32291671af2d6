"""How capacity moved under commands and without them: bins of pulses, gaps between pulses, movement in each."""

from __future__ import annotations

import weakref
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.commands import Command, read_commands
from forensics.points import NS, Samples
from forensics.signatures.base import Subject
from forensics.signatures.duty import HIGH_SIDE, max_age_s, trusted
from forensics.vocabulary import Recorded, Role

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Times = NDArray[np.int64]


@dataclass(frozen=True)
class Capacity:
    """What tells the capacity: slide position in %, or amps in % of rated where no slide is logged."""

    point: Samples
    percent: float
    low_end: float
    high_end: float
    by_slide: bool

    def at(self, times: Times) -> Floats:
        """Capacity in % at or before each time; NaN where no reading is young enough."""
        return self.point.at(times, max_age_s(self.point)) * self.percent


_told: list[tuple[weakref.ref[Subject], Capacity | None]] = []


def capacity(subject: Subject) -> Capacity | None:
    """The point that tells the capacity; None where neither a slide nor amps with their rated value are there.

    Made once for a subject.
    """
    for known, found in _told:
        if known() is subject:
            return found
    found = _capacity(subject)
    _told[:] = [(weakref.ref(subject), found)]
    return found


def _capacity(subject: Subject) -> Capacity | None:
    slide = subject.record.point(Role.SLIDE_POSITION)
    if slide is not None and len(trusted(slide)) > 1:
        return Capacity(trusted(slide), 1.0, 0.0, 100.0, by_slide=True)
    amps, rated = subject.record.point(Role.MOTOR_AMPS), subject.machine.rated_load_amps
    if amps is None or rated is None or len(trusted(amps)) <= 1:
        return None
    good = trusted(amps)
    running = good.v[(good.v > 0.2 * rated) & (good.v < 1.3 * rated)] * 100.0 / rated
    if len(running) < 10:  # noqa: PLR2004 - no range to be had from a handful
        return None
    low, high = np.quantile(running, [0.03, 0.98])
    return Capacity(good, 100.0 / rated, float(low), float(high), by_slide=False)


@dataclass(frozen=True)
class Bins:
    """Steps of running time: commands acting in each, and capacity at both ends.

    ``load_s`` and ``unload_s`` are seconds of acting command; ``left_s`` is the length; shapes (n,).
    """

    begin: Times
    end: Times
    load_s: Floats
    unload_s: Floats
    first: Floats
    last: Floats


def acting_seconds(command: Command | None, begin: Times, end: Times) -> Floats:
    """Seconds that a command acted in each step; NaN where the point is not there or mostly unknown."""
    if command is None:
        return np.full(len(begin), np.nan)
    acting = _integral(command.acting, end) - _integral(command.acting, begin)
    known = _integral(command.known, end) - _integral(command.known, begin)
    mostly = known >= 0.9 * (end - begin) / NS
    return np.where(mostly, acting, np.nan)


def _integral(spans: tuple[Times, Times], at: Times) -> Floats:
    starts, ends = spans
    if not len(starts):
        return np.zeros(len(at))
    lengths = np.cumsum((ends - starts) / NS)
    index = np.searchsorted(starts, at, side="right") - 1
    safe = np.maximum(index, 0)
    before = np.where(index > 0, lengths[np.maximum(safe - 1, 0)], 0.0)
    inside = np.clip(at - starts[safe], 0, ends[safe] - starts[safe]) / NS
    return np.where(index < 0, 0.0, before + inside)


_cut_up: list[tuple[weakref.ref[Subject], Capacity, Bins]] = []


def running_bins(subject: Subject, source: Capacity) -> Bins:
    """Cut the running time up to the failure into steps of ``slide.bin_s`` and say what acted and what moved.

    With amps for capacity, time with the unloading valve open and the first minute of a run are left out: amps then
    move for other reasons. Made once for a subject and its source.
    """
    for known, given, found in _cut_up:
        if known() is subject and given is source:
            return found
    found = _running_bins(subject, source)
    _cut_up[:] = [(weakref.ref(subject), source, found)]
    return found


def _running_bins(subject: Subject, source: Capacity) -> Bins:
    commands = read_commands(subject.record, subject.profile)
    step_ns = round(max(subject.limits["slide.bin_s"], 3.0 * _interval_s(commands, source)) * NS)
    begin, end = _steps(subject, source, step_ns)
    if _interval_s(commands, None) > subject.limits["slide.pulse_interval_s"]:
        begin, end = _held(subject, commands)
    bins = Bins(
        begin,
        end,
        acting_seconds(commands.get(Role.LOAD_SOLENOID), begin, end),
        acting_seconds(commands.get(Role.UNLOAD_SOLENOID), begin, end),
        source.at(begin),
        source.at(end),
    )
    if source.by_slide or Role.BYPASS_SOLENOID not in commands:
        return bins
    shut = acting_seconds(commands[Role.BYPASS_SOLENOID], begin, end) >= 0.99 * (end - begin) / NS
    return Bins(begin[shut], end[shut], *(x[shut] for x in (bins.load_s, bins.unload_s, bins.first, bins.last)))


def _steps(subject: Subject, source: Capacity, step_ns: int) -> tuple[Times, Times]:
    begins = []
    for run in subject.runs:
        first = run.first_ns + (0 if source.by_slide else 60 * NS)
        last = min(run.last_ns if run.end is None else run.end.earliest_ns, subject.record.failure_ns)
        if last - first >= step_ns:
            begins.append(np.arange(first, last - step_ns + 1, step_ns, dtype=np.int64))
    begin = np.concatenate(begins) if begins else np.array([], dtype=np.int64)
    return begin, begin + step_ns


def _held(subject: Subject, commands: Mapping[Role, Command]) -> tuple[Times, Times]:
    """Stretches of running in which a command was held on for three samples and more, none shorter than 15 s."""
    begins, ends = [], []
    for role in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID):
        if role not in commands:
            continue
        starts, stops = commands[role].acting
        shortest = max(15.0, 3.0 * commands[role].interval_s) * NS
        for run in subject.runs:
            first, last = run.first_ns + 30 * NS, run.last_ns if run.end is None else run.end.earliest_ns
            low, high = np.maximum(starts, first), np.minimum(stops, min(last, subject.record.failure_ns))
            good = high - low >= shortest
            begins.append(low[good])
            ends.append(high[good])
    if not begins:
        return np.array([], dtype=np.int64), np.array([], dtype=np.int64)
    begin, end = np.concatenate(begins), np.concatenate(ends)
    order = np.argsort(begin, kind="stable")
    return begin[order], end[order]


def _interval_s(commands: Mapping[Role, Command], source: Capacity | None) -> float:
    found = [c.interval_s for r, c in commands.items() if r in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID)]
    slowest = max([*found, source.point.interval_s if source is not None else 0.0])
    return slowest if np.isfinite(slowest) else 0.0


@dataclass(frozen=True)
class Response:
    """Movement under one command, block by block in time order.

    Attributes
    ----------
    rates
        % per second of command, positive where the capacity moved as commanded, one per block, shape (n,).
    acting_s, bins
        Seconds of command and steps that each block holds.
    span_ns
        Begin and end of the last block.
    begins
        Begin of each block, ns UTC.
    """

    rates: Floats
    acting_s: Floats
    bins: NDArray[np.int64]
    span_ns: tuple[int, int]
    begins: Times


def response(subject: Subject, bins: Bins, source: Capacity, sign: float, *, at_lift: bool = False) -> Response | None:
    """Movement per second of load (``sign`` 1) or unload (-1) command away from the ends of travel, in blocks.

    Blocks are counted back from the failure, each holding ``slide.block_acting_s`` of command or more; the first may
    hold less and is left out. With ``at_lift`` only steps count in which the lift that drives the oil is known and
    enough. None where the command never acted alone with room to move.
    """
    near = subject.limits["slide.near_end"]
    acting, other = (bins.load_s, bins.unload_s) if sign > 0 else (bins.unload_s, bins.load_s)
    room = bins.first < source.high_end - near if sign > 0 else bins.first > source.low_end + near
    alone = (acting > 0) & ~(other > 0) & room & np.isfinite(bins.last) & np.isfinite(bins.first)
    if at_lift:
        alone &= _lift(subject, bins.begin) > subject.limits["slide.least_lift_kpa"]
    if not alone.any():
        return None
    index = np.flatnonzero(alone)[::-1]
    total = np.cumsum(acting[index])
    block = (total / subject.limits["slide.block_acting_s"]).astype(np.int64)
    # a block ends with the step that fills it
    block = np.concatenate(([0], block[:-1]))
    _, first, count = np.unique(block, return_index=True, return_counts=True)
    moved = np.add.reduceat(sign * (bins.last - bins.first)[index], first)
    acted = np.add.reduceat(acting[index], first)
    full = acted >= subject.limits["slide.block_acting_s"]
    if not full.any():
        return None
    newest = index[: count[0]]
    rates, begins = (moved / acted)[full][::-1], bins.begin[index[first + count - 1]][full][::-1]
    span = (int(bins.begin[newest[-1]]), int(bins.end[newest[0]]))
    return Response(rates, acted[full][::-1], count[full][::-1], span, begins)


def _lift(subject: Subject, times: Times) -> Floats:
    """Lift in kPa at each time; NaN where it is not logged."""
    suction = subject.record.point(Role.SUCTION_PRESSURE)
    high = next((p for p in (subject.record.point(r) for r in HIGH_SIDE) if p is not None), None)
    if suction is None or high is None:
        return np.full(len(times), np.nan)
    lift: Floats = high.at(times, max_age_s(high)) - suction.at(times, max_age_s(suction))
    return lift


@dataclass(frozen=True)
class Gaps:
    """Stretches of running in which neither load nor unload acted: length in s and movement in %, shapes (n,)."""

    begin: Times
    seconds: Floats
    moved: Floats
    level: Floats


def holding_gaps(subject: Subject, source: Capacity) -> Gaps:
    """Stretches between pulses in the window up to the failure, after a settling time, in which lift stood still."""
    commands = read_commands(subject.record, subject.profile)
    limits, record = subject.limits, subject.record
    pulses = [commands[r].acting for r in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID) if r in commands]
    interval = _interval_s(commands, source)
    settle = round(max(limits["slide.settle_s"], interval) * NS)
    resolved_s = 30.0 * deadband(source) / limits["slide.drift_per_min"]
    shortest = max(limits["slide.drift_stretch_s"], 3.0 * interval, resolved_s)
    begin, end = _between_pulses(subject, pulses, settle, record.failure_ns)
    # long stretches are cut, so that one of them does not stand for all
    begin, end = _cut(begin, end, round(max(300.0, 4 * shortest) * NS))
    keep = ((end - begin) / NS >= shortest) & (begin >= record.window.start_ns)
    begin, end = begin[keep], end[keep]
    level, last = source.at(begin), source.at(end)
    still = np.isfinite(level) & np.isfinite(last)
    for role in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID):
        if role in commands:
            still &= acting_seconds(commands[role], begin, end) == 0
    if not source.by_slide:
        before, after = _lift(subject, begin), _lift(subject, end)
        with np.errstate(invalid="ignore"):
            still &= ~np.isfinite(before) | (np.abs(after - before) <= 0.05 * np.abs(before))
    return Gaps(begin[still], ((end - begin) / NS)[still], (last - level)[still], level[still])


def _between_pulses(
    subject: Subject, pulses: list[tuple[Times, Times]], settle: int, until: int
) -> tuple[Times, Times]:
    starts = np.sort(np.concatenate([p[0] for p in pulses])) if pulses else np.array([], dtype=np.int64)
    ends = np.sort(np.concatenate([p[1] for p in pulses])) if pulses else np.array([], dtype=np.int64)
    begins, finishes = [], []
    for run in subject.runs:
        first, last = run.first_ns + 90 * NS, min(run.last_ns - 60 * NS if run.end is not None else run.last_ns, until)
        if last <= first:
            continue
        inside = slice(int(np.searchsorted(ends, first)), int(np.searchsorted(ends, last)))
        after = np.concatenate(([first], ends[inside])) + settle
        later = np.searchsorted(starts, after - settle)
        following = np.full(len(after), last, dtype=np.int64)
        following[later < len(starts)] = starts[later[later < len(starts)]]
        begins.append(after)
        finishes.append(np.minimum(following, last))
    if not begins:
        return np.array([], dtype=np.int64), np.array([], dtype=np.int64)
    begin, end = np.concatenate(begins), np.concatenate(finishes)
    good = end > begin
    return begin[good], end[good]


def _cut(begin: Times, end: Times, longest: int) -> tuple[Times, Times]:
    if not len(begin):
        return begin, end
    pieces = np.maximum(1, np.ceil((end - begin) / longest).astype(np.int64))
    which = np.repeat(np.arange(len(begin)), pieces)
    place = np.arange(len(which)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    first = begin[which] + place * longest
    return first, np.minimum(first + longest, end[which])


def deadband(source: Capacity) -> float:
    """Smallest change, %, that a change log writes; 0 for logs that are sampled by time."""
    if source.point.origin.recorded is not Recorded.CHANGE or len(source.point) <= 10:  # noqa: PLR2004 - too few to tell
        return 0.0
    step = np.abs(np.diff(source.point.v)) * source.percent
    step = step[step > 0]
    return float(np.quantile(step, 0.1)) if len(step) else 0.0


@dataclass(frozen=True, slots=True)
class Balance:
    """Movement against the only command given, in the window up to the failure.

    Attributes
    ----------
    against
        Sum over unbroken stretches of the furthest movement in the drift's sense, %, noise taken off.
    minutes, helped_s
        Running time looked at and seconds of the command that held against it.
    net
        Net movement in the drift's sense, %.
    """

    against: float
    minutes: float
    helped_s: float
    net: float
    span_ns: tuple[int, int]


def unseen_seconds(subject: Subject, sign: float, found: Balance) -> float:
    """Seconds of the drift's own command that can hide between samples in the time looked at, at most.

    Pulses seen on one sample only are as long as a sample or shorter, so that about as many fall between samples as on
    them; an event log hides none.
    """
    role = Role.LOAD_SOLENOID if sign > 0 else Role.UNLOAD_SOLENOID
    command = read_commands(subject.record, subject.profile).get(role)
    if command is None or command.switch.origin.recorded is Recorded.CHANGE:
        return 0.0
    starts, ends = command.acting
    window = subject.record.window
    inside = (starts >= window.start_ns) & (ends <= subject.record.failure_ns)
    widths_s = (ends - starts)[inside] / NS
    single_s = float(np.sum(widths_s[widths_s <= 1.5 * command.interval_s]))
    ran_s = (
        sum(max(0, min(r.last_ns, subject.record.failure_ns) - max(r.first_ns, window.start_ns)) for r in subject.runs)
        / NS
    )
    return single_s * min(1.0, 60.0 * found.minutes / ran_s) if ran_s > 0 else 0.0


def balance(subject: Subject, source: Capacity, sign: float) -> Balance | None:
    """How far capacity moved towards ``sign`` (1 load, -1 unload) in time in which that was not commanded at all."""
    commands = read_commands(subject.record, subject.profile)
    towards, other = (
        (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID) if sign > 0 else (Role.UNLOAD_SOLENOID, Role.LOAD_SOLENOID)
    )
    if towards not in commands or _interval_s(commands, None) > subject.limits["slide.pulse_interval_s"]:
        return None
    step = 600 * NS
    begin, end = _steps(subject, source, step)
    # runs do not overlap: only the last one that began before a step can hold it
    firsts = np.array([run.first_ns for run in subject.runs], dtype=np.int64) + 90 * NS
    lasts = np.array([run.last_ns for run in subject.runs], dtype=np.int64) - 60 * NS
    which = np.searchsorted(firsts, begin, side="right") - 1
    inner = (which >= 0) & (end <= lasts[np.maximum(which, 0)])
    begin, end = begin[inner], end[inner]
    first, last = source.at(begin), source.at(end)
    near = subject.limits["slide.near_end"]
    room = first < source.high_end - near if sign > 0 else first > source.low_end + near
    quiet = room & (acting_seconds(commands[towards], begin, end) == 0) & np.isfinite(first) & np.isfinite(last)
    quiet &= begin >= subject.record.window.start_ns
    if not source.by_slide:
        before, after = _lift(subject, begin), _lift(subject, end)
        with np.errstate(invalid="ignore"):
            quiet &= ~np.isfinite(before) | (np.abs(after - before) <= 0.05 * np.abs(before))
    if not quiet.any():
        return None
    moved = sign * (last - first)[quiet]
    helped = acting_seconds(commands.get(other), begin, end)[quiet]
    chosen = np.flatnonzero(quiet)
    return Balance(
        _progress(begin, end, sign * first, sign * last, quiet, 1.0 + deadband(source)),
        float(np.sum((end - begin)[quiet])) / NS / 60.0,
        float(np.nansum(helped)),
        float(np.sum(moved)),
        (int(begin[chosen[0]]), int(end[chosen[-1]])),
    )


def _progress(begin: Times, end: Times, first: Floats, last: Floats, quiet: Mask, noise: float) -> float:
    """Furthest rise within each unbroken stretch of chosen steps, summed; what noise explains is taken off."""
    total = 0.0
    joined = quiet[1:] & quiet[:-1] & (begin[1:] == end[:-1])
    heads = np.flatnonzero(quiet & np.concatenate(([True], ~joined)))
    for head in heads:
        tail = head
        while tail + 1 < len(quiet) and joined[tail]:
            tail += 1
        lowest = np.minimum.accumulate(first[head : tail + 1])
        total += max(0.0, float(np.max(last[head : tail + 1] - lowest)) - 2.0 * noise)
    return total
