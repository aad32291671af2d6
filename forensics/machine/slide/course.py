"""The course of the slide in a record: what tells its position, its commands, and when the motor ran.

A current stands for the position where none is logged: in % of the travel that it spans on this machine, with what the
pressures move beside it, and only while the unloading valve is known to be shut.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from forensics.machine.commands import Command, read_commands
from forensics.machine.duty.baseline import HIGH_SIDE
from forensics.machine.duty.capacity import Capacity, capacity
from forensics.machine.slide.estimates import Gains
from forensics.machine.slide.gains import identify
from forensics.machine.slide.held import Held, Needs, held_commands
from forensics.machine.slide.stand import Stand, last_stand
from forensics.machine.slide.windows import Course, Pulses
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS, Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role, State, StopKind
from forensics.rules.profiles import Profile

Times = NDArray[np.int64]
Spans = tuple[Times, Times]


@dataclass(frozen=True)
class Slide:
    """The slide of a subject: what told its position, its course and what was identified.

    ``lift_known`` is False where a current stands for the position and a pressure that moves it is not logged.
    ``held`` is what commands that were held moved, of load (1) and of unload (-1), ``stands`` the last stretch in which
    pulses moved nothing; ``by_time`` tells whether the time that a command acts moves the slide: not where positions
    are held by energised valves, nor by one three-way valve.
    """

    source: Capacity
    course: Course
    gains: Gains
    lift_known: bool
    held: dict[int, tuple[Held, ...]]
    by_time: dict[int, bool]
    stands: dict[int, Stand | None]


@kept_with_owner
def slide_of(subject: Subject) -> Slide | None:
    """Identify the slide of a subject; None where nothing tells its position. Made once for a subject."""
    source = capacity(subject)
    if source is None or not subject.runs:
        return None
    course, lift_known = _course(subject, source)
    by_time = {
        sign: _moves_by_time(subject.profile, role, state)
        for sign, role, state in ((1, Role.LOAD_SOLENOID, State.LOAD), (-1, Role.UNLOAD_SOLENOID, State.UNLOAD))
    }
    stands = _stands(subject, source, course)
    held = _held(subject, source, course, by_time)
    return Slide(source, course, identify(course), lift_known, held, by_time, stands)


def _stands(subject: Subject, source: Capacity, course: Course) -> dict[int, Stand | None]:
    """The last stands of load and of unload; what ran on after the failure tells of them as well."""
    first, last = _living(subject, source, _running(subject, source, subject.record.window.end_ns))
    longer = replace(course, first=first, last=last)
    least = subject.limits["slide.response_share_min"]
    return {sign: last_stand(longer, sign, least) for sign in (1, -1)}


def _moves_by_time(profile: Profile, role: Role, moving: State) -> bool:
    """Whether the profile has a command off while the slide is held, so that it moves for as long as it acts."""
    held = profile.cell(State.HOLD, role)
    return held == "off" or (held == "either" and profile.cell(moving, role).startswith("pulses"))


def _held(subject: Subject, source: Capacity, course: Course, by_time: dict[int, bool]) -> dict[int, tuple[Held, ...]]:
    limits = subject.limits
    needs = Needs(
        limits["slide.held_s"],
        limits["slide.held_room"],
        limits["slide.sensor_percent"],
        subject.profile.times.unload_before_stop_s,
        by_time,
    )
    spans = course.first, course.last
    if source.by_slide:
        begins, ends = _runs(subject, limits["slide.oil_builds_s"], subject.record.failure_ns)
        spans = begins[ends > begins], ends[ends > begins]
    stops = [stop.earliest_ns for stop in subject.stops if stop.kind is StopKind.NORMAL]
    return held_commands(course, spans, np.array(stops, dtype=np.int64), needs)


def _runs(subject: Subject, after_s: float, until_ns: int) -> Spans:
    """Runs from some time after their start to the stop or to a moment."""
    begins = [run.first_ns + round(after_s * NS) for run in subject.runs]
    ends = [min(run.last_ns if run.end is None else run.end.earliest_ns, until_ns) for run in subject.runs]
    return np.array(begins, dtype=np.int64), np.array(ends, dtype=np.int64)


def _course(subject: Subject, source: Capacity) -> tuple[Course, bool]:
    record, limits = subject.record, subject.limits
    commands = read_commands(record, subject.profile)
    times = subject.profile.times
    first, last = _living(subject, source, _running(subject, source, record.failure_ns))
    point = source.point
    low, high, scale, offset = _travel(subject, source, (first, last))
    pressures = _pressures(record)
    work = () if source.by_slide or pressures is None else tuple((p.t, p.v) for p in pressures)
    oil = record.point(Role.OIL_PRESSURE_DIFFERENCE)
    course = Course(
        t=point.t,
        v=point.v * scale - offset,
        interval_s=point.interval_s,
        by_change=point.origin.recorded is Recorded.CHANGE,
        first=first,
        last=last,
        load=_pulses(record, commands.get(Role.LOAD_SOLENOID), limits["slide.silent_s"]),
        unload=_pulses(record, commands.get(Role.UNLOAD_SOLENOID), limits["slide.silent_s"]),
        low_end=low,
        high_end=high,
        margin=limits["slide.at_end"] * (1.0 if source.by_slide else 2.0),
        work=work,
        oil=None if oil is None or not len(oil.trusted) else (oil.trusted.t, oil.trusted.v),
        lag_s=max(limits["slide.settle_s"], 0.0),
        usual=(6000.0 / times.travel_load_s, -6000.0 / times.travel_unload_s),
    )
    return course, source.by_slide or pressures is not None


def _living(subject: Subject, source: Capacity, spans: Spans) -> Spans:
    """Those parts of spans in which the source of the reading was alive."""
    known = alive(subject.record, source.point, subject.limits["slide.silent_s"])
    return _both(spans, known) if known is not None else spans


def _travel(subject: Subject, source: Capacity, spans: Spans) -> tuple[float, float, float, float]:
    """Ends of travel in %, and scale and offset that turn a reading into it.

    A current that never moved through its range shows no ends; where it stands high or low it may stand at one. The
    dips of starts, at which the gas goes round, are no level of the slide: only settled running tells.
    """
    if source.by_slide:
        return 0.0, 100.0, source.percent, 0.0
    least = subject.limits["slide.amps_travel"]
    lowest, highest = _settled_range(source, spans)
    span = highest - lowest
    per_travel = 100.0 / max(span, least)
    offset = lowest * per_travel
    if span >= least / 2.0:
        return 0.0, 100.0, source.percent * per_travel, offset
    middle = (highest + lowest) / 2.0
    low = 0.0 if middle <= subject.limits["slide.amps_low"] else -np.inf
    high = span * per_travel if middle >= subject.limits["slide.amps_high"] else np.inf
    return float(low), float(high), source.percent * per_travel, offset


def _settled_range(source: Capacity, spans: Spans) -> tuple[float, float]:
    """Lowest and highest usual level of settled running; of all running where there is too little of it."""
    place = np.searchsorted(spans[0], source.point.t, side="right") - 1
    inside = (place >= 0) & (source.point.t <= spans[1][np.maximum(place, 0)]) if len(spans[0]) else place >= 0
    settled = source.point.v[inside] * source.percent
    if len(settled) < 30:  # noqa: PLR2004 - too few to know a range by
        return source.low_end, source.high_end
    low, high = np.quantile(settled, [0.03, 0.98])
    return float(low), float(high)


def _running(subject: Subject, source: Capacity, until_ns: int) -> Spans:
    """Spans of running up to a moment, without the unloading at a start; of a current, with the bypass shut."""
    commands = read_commands(subject.record, subject.profile)
    limits = subject.limits
    settled_s = limits["slide.oil_builds_s"] if source.by_slide else limits["slide.amps_settle_s"]
    begins, ends = _runs(subject, settled_s, until_ns)
    unload = commands.get(Role.UNLOAD_SOLENOID)
    dwell = round(subject.limits["slide.start_dwell_s"] * NS)
    if unload is not None and len(unload.acting[0]):
        starts, stops = unload.acting
        for k, run in enumerate(subject.runs):
            held = (starts <= run.first_ns + 15 * NS) & (stops > run.first_ns)
            if held.any():
                begins[k] = max(begins[k], min(int(stops[held].max()), run.first_ns + dwell))
    good = ends - begins > 30 * NS
    spans = begins[good], ends[good]
    bypass = commands.get(Role.BYPASS_SOLENOID)
    if source.by_slide or bypass is None:
        return spans
    return _both(spans, bypass.acting)


def _both(one: Spans, other: Spans) -> Spans:
    """Spans that lie in one of each, in time order."""
    low = np.searchsorted(other[1], one[0], side="right")
    high = np.searchsorted(other[0], one[1], side="left")
    count = np.maximum(high - low, 0)
    which = np.repeat(np.arange(len(one[0])), count)
    place = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count) + low[which]
    begin = np.maximum(one[0][which], other[0][place])
    end = np.minimum(one[1][which], other[1][place])
    good = end - begin > 30 * NS
    return begin[good], end[good]


def _pulses(record: Record, command: Command | None, silent_s: float) -> Pulses | None:
    if command is None:
        return None
    switch = command.switch
    known = command.known
    living = alive(record, switch, silent_s)
    if living is not None:
        known = _both(known, living)
    sampled = switch.origin.recorded is not Recorded.CHANGE
    return Pulses(*command.acting, command.interval_s, sampled, known)


def _pressures(record: Record) -> tuple[Samples, Samples] | None:
    suction = record.point(Role.SUCTION_PRESSURE)
    high = next((p for p in (record.point(r) for r in HIGH_SIDE) if p is not None), None)
    if suction is None or high is None:
        return None
    found = high.trusted, suction.trusted
    return found if all(len(p) > 1 for p in found) else None


def alive(record: Record, point: Samples | Switch, silent_s: float) -> Spans | None:
    """Spans in which the source of a change log wrote rows of any point; None for what is sampled by time.

    A source that writes nothing of anything for long while others do has lost what happened meanwhile.
    """
    if point.origin.recorded is not Recorded.CHANGE:
        return None
    source = point.origin.source
    return _source_alive(record, source, silent_s)


def _source_alive(record: Record, source: str, silent_s: float) -> Spans | None:
    points: list[Samples | Switch] = [p for found in record.samples.values() for p in found]
    points.extend(p for found in record.switches.values() for p in found)
    stamps = [p.t for p in points if p.origin.source == source and len(p)]
    if not stamps:
        return None
    t = np.unique(np.concatenate(stamps))
    gaps = np.diff(t)
    if len(gaps) < 100:  # noqa: PLR2004 - too few rows to know how often it writes
        return None
    usual = float(np.quantile(gaps, 0.99))
    silent = np.flatnonzero(gaps > max(silent_s * NS, 10.0 * usual))
    return np.concatenate((t[:1], t[silent + 1])), np.concatenate((t[silent], t[-1:]))
