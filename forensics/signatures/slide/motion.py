"""How capacity moved under commands: steps of running time, seconds of command in each, movement in each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.capacity import Capacity, Floats, Times, capacity, lift
from forensics.machine.commanded import _integral, acting_seconds
from forensics.machine.commands import Command, read_commands
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS
from forensics.model.vocabulary import Role
from forensics.signatures.core.finding import cannot_tell
from forensics.signatures.core.needs import met

_NO_CAPACITY = "neither slide_position nor amps with rated_load_amps tell the capacity"


def looked(subject: Subject, check: str) -> tuple[Capacity, Bins] | Finding:
    """What a check of the slide looks at: capacity and steps of running; else the answer that says what is missing."""
    if isinstance(failed := met(subject, check), Finding):
        return failed
    source = capacity(subject)
    return cannot_tell(check, _NO_CAPACITY) if source is None else (source, running_bins(subject, source))


def expected(subject: Subject, sign: float, source: Capacity) -> float:
    """Rate that the profile's travel time gives, % per second of command."""
    times = subject.profile.times
    travel_s = times.travel_load_s if sign > 0 else times.travel_unload_s
    return (source.high_end - source.low_end) / travel_s


def role_of(sign: float) -> Role:
    """Load for 1, unload for -1."""
    return Role.LOAD_SOLENOID if sign > 0 else Role.UNLOAD_SOLENOID


def sure_share(subject: Subject, interval_s: float) -> float:
    """Share of the seconds of command that surely acted: of each sample that shows it, a short pulse at least."""
    return min(1.0, subject.limits["slide.pulse_least_s"] / interval_s)


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


@kept_with_owner
def running_bins(subject: Subject, source: Capacity) -> Bins:
    """Cut the running time up to the failure into steps of ``slide.bin_s`` and say what acted and what moved.

    With amps for capacity, time with the unloading valve open and the first minute of a run are left out: amps then
    move for other reasons. Made once for a subject and its source.
    """
    commands = read_commands(subject.record, subject.profile)
    step_ns = round(max(subject.limits["slide.bin_s"], 3.0 * interval_s(commands, source)) * NS)
    begin, end = steps(subject, source, step_ns)
    if interval_s(commands, None) > subject.limits["slide.pulse_interval_s"]:
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


def steps(subject: Subject, source: Capacity, step_ns: int) -> tuple[Times, Times]:
    """Begins and ends of steps of one length that lie wholly in a run, up to the failure."""
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


def ran_since(subject: Subject, times: Times) -> Floats:
    """Seconds for which the machine ran between each time and the failure."""
    firsts = np.array([run.first_ns for run in subject.runs], dtype=np.int64)
    lasts = np.array([min(run.last_ns, subject.record.failure_ns) for run in subject.runs], dtype=np.int64)
    whole = _integral((firsts, np.maximum(lasts, firsts)), np.append(times, subject.record.failure_ns))
    return np.asarray(whole[-1] - whole[:-1])


def interval_s(commands: Mapping[Role, Command], source: Capacity | None) -> float:
    """The longest sample interval of the load and unload commands and, if given, of the capacity, s."""
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


def response(
    subject: Subject,
    bins: Bins,
    source: Capacity,
    sign: float,
    *,
    at_lift: bool = False,
    between_ns: tuple[int, int] | None = None,
) -> Response | None:
    """Movement per second of load (``sign`` 1) or unload (-1) command away from the ends of travel, in blocks.

    Blocks are counted back from the failure, each holding ``slide.block_acting_s`` of command or more; the first may
    hold less and is left out. With ``at_lift`` only steps count in which the lift that drives the oil is known and
    enough, with ``between_ns`` only those that lie wholly between two times. None where the command never acted alone
    with room to move.
    """
    near = subject.limits["slide.near_end"]
    acting, other = (bins.load_s, bins.unload_s) if sign > 0 else (bins.unload_s, bins.load_s)
    room = bins.first < source.high_end - near if sign > 0 else bins.first > source.low_end + near
    alone = (acting > 0) & ~(other > 0) & room & np.isfinite(bins.last) & np.isfinite(bins.first)
    if at_lift:
        alone &= lift(subject, bins.begin) > subject.limits["slide.least_lift_kpa"]
    if between_ns is not None:
        alone &= (bins.begin >= between_ns[0]) & (bins.end <= between_ns[1])
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
