"""Breaches of the sequence at stops: unload left out before, the unloading valve held shut after, the valve open."""

from __future__ import annotations

import math

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.commands import Command
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role, State, StopKind
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import NO_STOP, met
from forensics.signatures.sequence.cells import Breaches, counted, stops_of, told


@detector(
    "sequence.bypass_energised_after_stop",
    told(State.COAST_DOWN, Role.BYPASS_SOLENOID, lambda cell: cell.first is False),
)
def bypass_energised_after_stop(subject: Subject, check: str, command: Command) -> Finding:
    """Decide whether the command kept the unloading valve shut after the motor had stopped, and for how long."""
    stops = stops_of(subject)
    if not stops:
        return cannot_tell(check, NO_STOP)
    limit = max(subject.limits["sequence.bypass_release_s"], subject.profile.times.bypass_release_tolerance_s)
    wrong: list[Stop] = []
    lasted: list[float] = []
    judged: list[Stop] = []
    unsure = 0
    for stop in stops:
        # what acts between the latest moment of the stop and a minute later, short of the next start
        later = [run.first_ns for run in subject.runs if run.first_ns > stop.time_ns]
        end = min([stop.latest_ns + 60 * NS, *later])
        if command.known_s(stop.latest_ns, end) < 0.5 * (end - stop.latest_ns) / NS:
            continue
        judged.append(stop)
        least_s, most_s = command.acting_bounds_s(stop.latest_ns, end)
        if least_s > limit:
            wrong.append(stop)
            lasted.append(least_s)
        elif most_s > limit + command.interval_s:
            unsure += 1
    what = "the command still held the valve shut"
    return counted(subject, check, command, Breaches(wrong, judged, stops, lasted, unsure), what)


@detector(
    "sequence.no_unload_before_stop",
    told(State.STOP, Role.UNLOAD_SOLENOID, lambda cell: cell.first is True or cell.last is True or cell.pulses),
)
def no_unload_before_stop(subject: Subject, check: str, command: Command) -> Finding:
    """Decide whether the controller stopped the motor without commanding unload first.

    Where samples are too far apart to time it at one stop, the stops together tell: of a command that was there for
    its dwell at each of them samples would have caught some.
    """
    stops = [s for s in stops_of(subject) if s.kind is StopKind.NORMAL]
    if not stops:
        return cannot_tell(check, "no normal stop in the window before the failure")
    dwell = subject.profile.times.unload_before_stop_s
    need = subject.limits["sequence.unload_share"] * dwell
    lacking: list[Stop] = []
    judged: list[Stop] = []
    acted_s: list[float] = []
    unsure = 0
    for stop in stops:
        begin = stop.earliest_ns - round(2 * dwell * NS)
        if command.known_s(begin, stop.earliest_ns) < dwell:
            continue
        judged.append(stop)
        # the stop may lie anywhere in its interval: what acts up to its latest moment may still be before it
        least = command.acting_bounds_s(begin, stop.earliest_ns)[0]
        most = command.acting_bounds_s(begin, stop.latest_ns)[1]
        acted_s.append(command.acting_s(begin, stop.latest_ns))
        if most < need and command.interval_s < dwell:
            lacking.append(stop)
        elif least < need:
            unsure += 1
    if unsure and not lacking and not any(acted_s):
        caught = sum(min(1.0, dwell / command.interval_s) for _ in judged)
        if math.exp(-caught) < subject.limits["sequence.missed_chance"]:
            lacking, unsure = judged, 0
    what = "unload was not commanded before"
    return counted(subject, check, command, Breaches(lacking, judged, stops, (), unsure), what)


@detector("sequence.expansion_valve_open_at_stop", met)
def expansion_valve_open_at_stop(subject: Subject, check: str) -> Finding:
    """Decide whether the expansion valve stood open after the last stops of the window."""
    point = subject.record.point(Role.EXPANSION_VALVE_POSITION)
    stops = stops_of(subject)
    if point is None or not stops:
        return cannot_tell(check, NO_STOP)
    limits = subject.limits
    read: list[tuple[float, Stop]] = []
    for stop in stops:
        later = [run.first_ns for run in subject.runs if run.first_ns > stop.time_ns]
        begin = stop.latest_ns + round(limits["sequence.valve_from_s"] * NS)
        end = min([stop.latest_ns + round(limits["sequence.valve_to_s"] * NS), *later])
        part = point.usable.between(begin, max(begin, end))
        held = point.before(end) if end > begin and not len(part) and point.origin.hold_s is None else None
        if len(part):
            read.append((float(np.median(part.v)), stop))
        elif held is not None and held.age_s <= (end - stop.latest_ns) / NS + 1:
            read.append((held.value, stop))
    if not read:
        return cannot_tell(check, "no valve position 20 to 90 s after a stop")
    limit = limits["sequence.valve_open"]
    opened = [(v, s) for v, s in read if v > limit]
    value, stop = (opened or read)[-1]
    measured = Value.within(value, 1.0, "%", "sequence.valve_open", above=True)
    words = f"After {len(opened)} of {len(read)} stops of the window the valve stood open, last read {value:.0f} %."
    span = (stop.earliest_ns, stop.latest_ns + round(limits["sequence.valve_to_s"] * NS))
    seen = Seen(span, rows_of(point, *span), point.interval_s, max(2, len(opened) or len(read)))
    outcome = Outcome.PRESENT if opened else Outcome.ABSENT
    return make_finding(subject, check, outcome, words, measured, seen)
