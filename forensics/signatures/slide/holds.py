"""How capacity moved without commands: stretches between pulses, and movement against the only command given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.capacity import Capacity, Floats, Mask, Times, deadband
from forensics.machine.commanded import acting_seconds
from forensics.machine.commands import read_commands
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS
from forensics.model.vocabulary import Recorded, Role
from forensics.signatures.slide.lift import Relation, pressed, relation_of
from forensics.signatures.slide.motion import expected, interval_s, steps


@dataclass(frozen=True)
class Gaps:
    """Stretches of running in which neither load nor unload acted.

    Attributes
    ----------
    begin, seconds, moved, level
        Begin (ns UTC), length in s, movement and level in %, shapes (n,); of a current without the pressures' work.
    work
        What the pressures moved times the level, shape (n, 2); None by slide position or where none is logged.
    relation
        How the current follows them; None by slide position or where it can't be known.
    corrected
        The movement is the slide's: by its position, or by a current whose lift is known.
    """

    begin: Times
    seconds: Floats
    moved: Floats
    level: Floats
    work: NDArray[np.float64] | None
    relation: Relation | None
    corrected: bool

    def doubt(self, chosen: Mask) -> float:
        """Half width of the interval that the correction adds to the movement summed over chosen stretches, %."""
        if self.work is None or self.relation is None:
            return 0.0
        return self.relation.doubt(np.asarray(np.sum(self.work[chosen], axis=0)))


@kept_with_owner
def stretches(subject: Subject, source: Capacity) -> tuple[Times, Times]:
    """Begins and ends of all stretches up to the failure in which no command acted, after a settling time."""
    commands = read_commands(subject.record, subject.profile)
    limits, record = subject.limits, subject.record
    pulses = [commands[r].acting for r in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID) if r in commands]
    interval = interval_s(commands, source)
    settle = round(max(limits["slide.settle_s"], interval) * NS)
    resolved_s = 30.0 * deadband(source) / limits["slide.drift_per_min"]
    shortest = max(limits["slide.drift_stretch_s"], 3.0 * interval, resolved_s)
    begin, end = _between_pulses(subject, pulses, settle, record.failure_ns)
    # long stretches are cut, so that one of them does not stand for all
    begin, end = _cut(begin, end, round(max(300.0, 4 * shortest) * NS))
    still = (end - begin) / NS >= shortest
    for role in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID):
        if role in commands:
            still &= acting_seconds(commands[role], begin, end) == 0
    return begin[still], end[still]


def holding_gaps(subject: Subject, source: Capacity) -> Gaps:
    """The stretches of the window, with what the capacity moved in each; a current is corrected for lift."""
    begin, end = stretches(subject, source)
    inside = begin >= subject.record.window.start_ns
    first, last = source.at(begin[inside]), source.at(end[inside])
    relation = None if source.by_slide else relation_of(subject, source, begin, end)
    work = None if source.by_slide else pressed(subject, begin[inside], end[inside], first)
    good = np.isfinite(first) & np.isfinite(last)
    if work is not None:
        good &= np.isfinite(work).all(axis=1)
        work = work[good]
    begin, end, first, moved = begin[inside][good], end[inside][good], first[good], (last - first)[good]
    if work is not None and relation is not None:
        moved = moved - relation.of(work)
    corrected = source.by_slide or (work is not None and relation is not None)
    return Gaps(begin, (end - begin) / NS, moved, first, work, relation, corrected)


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
    if towards not in commands or interval_s(commands, None) > subject.limits["slide.pulse_interval_s"]:
        return None
    step = 600 * NS
    begin, end = steps(subject, source, step)
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
    slack: Floats = np.zeros(len(begin))
    if not source.by_slide:
        # a current moves with lift too: all that physics lets the pressures do is taken off
        work = pressed(subject, begin, end, first)
        relation = relation_of(subject, source, *stretches(subject, source))
        if work is None or relation is None:
            return None
        slack = np.abs(work) @ relation.most_per_kpa
        quiet &= np.isfinite(slack)
    if not quiet.any():
        return None
    moved = sign * (last - first)[quiet]
    helped = acting_seconds(commands.get(other), begin, end)[quiet]
    chosen = np.flatnonzero(quiet)
    return Balance(
        _progress((begin, end), (sign * first, sign * last), slack, quiet, 1.0 + deadband(source)),
        float(np.sum((end - begin)[quiet])) / NS / 60.0,
        float(np.nansum(helped)),
        float(np.sum(moved)),
        (int(begin[chosen[0]]), int(end[chosen[-1]])),
    )


def _progress(
    at: tuple[Times, Times], levels: tuple[Floats, Floats], slack: Floats, quiet: Mask, noise: float
) -> float:
    """Furthest rise within each unbroken stretch of chosen steps, summed; what else explains it is taken off.

    ``slack`` is what other causes can have moved in each step, ``noise`` that of one reading.
    """
    (begin, end), (first, last) = at, levels
    total = 0.0
    joined = quiet[1:] & quiet[:-1] & (begin[1:] == end[:-1])
    heads = np.flatnonzero(quiet & np.concatenate(([True], ~joined)))
    for head in heads:
        tail = head
        while tail + 1 < len(quiet) and joined[tail]:
            tail += 1
        other = np.cumsum(slack[head : tail + 1])
        lowest = np.minimum.accumulate(first[head : tail + 1] - other + slack[head : tail + 1])
        total += max(0.0, float(np.max(last[head : tail + 1] - other - lowest)) - 2.0 * noise)
    return total


def moves_by_itself(subject: Subject, source: Capacity, sign: float) -> Balance | None:
    """The balance of commands and movement where capacity moved towards ``sign`` by itself beyond doubt, else None."""
    found = balance(subject, source, sign)
    if found is None:
        return None
    unseen = expected(subject, sign, source) * unseen_seconds(subject, sign, found)
    return found if found.against > subject.limits["slide.fell_by_itself"] + unseen else None
