"""When a command of the slide lost its response, and what an earlier response still says of the failure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.capacity import Capacity
from forensics.machine.commands import read_commands
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS
from forensics.model.vocabulary import Recorded, Role
from forensics.signatures.slide.motion import (
    Bins,
    Response,
    expected,
    ran_since,
    response,
    role_of,
    sure_share,
)

_FEWEST_BLOCKS = 3


@dataclass(frozen=True, slots=True)
class Loss:
    """Since when a command finds no response, ns UTC, and whether it found one before that in this record."""

    since_ns: int
    answered_before: bool


@kept_with_owner
def loss_of(subject: Subject, bins: Bins, source: Capacity, role: Role) -> Loss | None:
    """When a command lost its response; None where its last block moved or where it never acted alone."""
    sign = 1.0 if role is Role.LOAD_SOLENOID else -1.0
    found = response(subject, bins, source, sign)
    if found is None:
        return None
    usual, _ = reference(subject, found, sign, source)
    least = subject.limits["slide.response_share_min"] * usual
    if not found.rates[-1] < least * sure_share(subject, command_interval_s(subject, sign)):
        return None
    return Loss(onset(found, least), bool(np.any(found.rates >= least)))


def onset(found: Response, least: float) -> int:
    """Since when no block moves by the least rate; the block that it begins in may have moved in part, and is left."""
    moving = np.flatnonzero(found.rates >= least)
    first = 0 if not len(moving) else int(moving[-1]) + 1
    return int(found.begins[min(first + 1, len(found.begins) - 1)])


def reference(subject: Subject, found: Response, sign: float, source: Capacity) -> tuple[float, str]:
    """Usual rate of the machine: the upper quartile of its earlier blocks where it ever moved, else the profile's."""
    profiled = expected(subject, sign, source)
    earlier = found.rates[:-1]
    if len(earlier) >= _FEWEST_BLOCKS:
        own = float(np.quantile(earlier, 0.75))
        if own > subject.limits["slide.response_share_min"] * profiled:
            return own, f"{own:.2f} % a second is usual over {len(earlier)} earlier blocks"
    return profiled, f"the profile's travel time gives {profiled:.2f} % a second"


def stale(subject: Subject, source: Capacity, sign: float, judged_ns: int) -> str:
    """Why a response says nothing of the time up to the failure; empty where it does.

    Commands that could not be judged may have come after it, and so may pulses that fall between slow samples.
    """
    limits, until = subject.limits, subject.record.failure_ns
    word = "load" if sign > 0 else "unload"
    moved_ns = max(judged_ns, _last_moved(subject, source, sign))
    commands = read_commands(subject.record, subject.profile)
    command = commands[role_of(sign)]
    starts, ends = command.acting
    later = (starts >= moved_ns) & (starts < until)
    starts, ends = starts[later], np.minimum(ends[later], until)
    running = np.zeros(len(starts), dtype=bool)
    for run in subject.runs:
        running |= (starts >= run.first_ns) & (starts < run.last_ns)
    near, level = limits["slide.near_end"], source.at(starts)
    room = ~(level >= source.high_end - near) if sign > 0 else ~(level <= source.low_end + near)
    seconds = float(np.sum(((ends - starts) / NS)[room & running]))
    if seconds >= limits["slide.block_acting_s"]:
        return f"Since then {word} was commanded for {seconds:.0f} s more that could not be judged."
    ran_s = float(ran_since(subject, np.array([moved_ns]))[0])
    if ran_s <= limits["slide.unseen_run_s"]:
        return ""
    ran = f"Since then it ran for {ran_s / 60.0:.0f} min without a movement that way"
    other = Role.UNLOAD_SOLENOID if sign > 0 else Role.LOAD_SOLENOID
    if other not in commands:
        return f"{ran}; without {other.value} it is not known whether it could have moved."
    sampled = command.switch.origin.recorded is not Recorded.CHANGE
    if sampled and command.interval_s > limits["slide.pulse_least_s"]:
        return f"{ran}, in which pulses may have fallen between samples every {command.interval_s:g} s."
    return ""


def _last_moved(subject: Subject, source: Capacity, sign: float) -> int:
    """When the slide was last seen to have gone a command's way lately; the window's begin if never."""
    start_ns, end_ns = subject.record.window.start_ns, subject.record.failure_ns
    part = source.point.between(start_ns, end_ns)
    if not source.by_slide or len(part) <= _FEWEST_BLOCKS:
        return start_ns
    level = sign * np.median(np.stack([part.v[:-2], part.v[1:-1], part.v[2:]]), axis=0) * source.percent
    t = part.t[1:-1]
    before = np.searchsorted(t, t - round(subject.limits["slide.gone_within_s"] * NS))
    gone = np.flatnonzero(level - level[before] > subject.limits["slide.fell_by_itself"])
    return int(t[gone[-1]]) if len(gone) else start_ns


def command_interval_s(subject: Subject, sign: float) -> float:
    """Sample interval of a command, s: of load for ``sign`` 1, of unload for -1."""
    return read_commands(subject.record, subject.profile)[role_of(sign)].interval_s
