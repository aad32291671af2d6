"""The table of starts: inrush, settled amps, ratio with its interval, unloaded or not, direction, the stop before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.commands import Command, read_commands
from forensics.machine.duty.line_amps import IN_DELTA, ROOT_3, place_unsure
from forensics.machine.duty.motor_circuit import Interval
from forensics.machine.rotation import at_start
from forensics.machine.starts.first_seconds import against_own_first_seconds, first_seconds, ramp_bound
from forensics.machine.starts.inrush import start_waveform
from forensics.machine.starts.settled_current import (
    PHASES,
    SLIDE_RISE,
    SettledCurrent,
    Window,
    amps_point,
    settle_s,
    settled_in,
    settled_window,
)
from forensics.machine.starts.start_power import Beside, Motor, beside_amps, ratio_by_power, read_motor
from forensics.machine.starts.unloaded import BY_SLIDE, judge_starts
from forensics.machine.states import Run
from forensics.machine.stops.rotor_pressure import Difference, across_rotors
from forensics.machine.subject import Subject
from forensics.model.findings import Cite, Share, Start, Stop
from forensics.model.points import NS, Samples, middle
from forensics.model.record import Record
from forensics.model.vocabulary import Answer, Outcome, PreviousStop, Recorded, Role, Starter
from forensics.stats.proportions import wilson


def list_starts(subject: Subject) -> tuple[Start, ...]:
    """Tabulate every start of the record, history included; the subject's stops are tabulated before.

    Settled amps are the mean from the end of inrush and transition (by starter type) to the first of unloading valve
    shut, unload released, load pulse or rise of the slide, 60 s at most; 15 to 30 s after current begins where none of
    these is logged. A sample counts only where it lies in that window for every possible time of the start. The
    ratio's interval adds sensor accuracy, spread of the samples, their resolution and a change log's deadband. Where no
    amps tell it, the ratio is the one that the motor's equivalent circuit draws for the power of the window; settled
    amps stay None.

    Returns
    -------
    tuple of Start
        In time order.
    """
    motor = read_motor(subject)
    shown = _Shown(
        amps_point(subject.record),
        motor,
        read_commands(subject.record, subject.profile, fastest=True),
        across_rotors(subject),
    )
    table, firsts, stops = [], [], {stop.time_ns: stop for stop in subject.stops}
    for index, run in enumerate(subject.runs):
        if run.begin is None:
            continue
        before = subject.runs[index - 1] if index else None
        stopped = stops.get(before.last_ns) if before is not None else None
        table.append(_start(subject, run, before, stopped, shown))
        firsts.append(first_seconds(subject, run, shown.amps))
    starts, besides = [start for start, _ in table], [beside for _, beside in table]
    judged = judge_starts(starts, besides, motor, subject.limits, place_unsure=place_unsure(subject))
    judged = against_own_first_seconds(judged, firsts, subject.limits)
    return tuple(_with_slide_rows(subject.record, start) for start in judged)


def _with_slide_rows(record: Record, start: Start) -> Start:
    """A start that the slide judged cites the slide, before its amps."""
    slide = record.fastest(Role.SLIDE_POSITION)
    if start.judged_by != BY_SLIDE or slide is None:
        return start
    until = start.settled_to_ns or start.latest_ns
    near = max(round(120 * NS), round(2 * slide.interval_s * NS)) if np.isfinite(slide.interval_s) else 120 * NS
    rows = rows_of(slide, start.earliest_ns, until) or rows_of(slide, start.earliest_ns - near, until + near)
    return replace(start, cites=rows + start.cites)


def unloaded_share(starts: tuple[Start, ...]) -> Share:
    """Share of unloaded starts among those that could be judged, with its 95 % interval.

    Method: score interval of E. B. Wilson (1927), J. Am. Stat. Assoc. 22, 209-212.
    """
    yes = sum(1 for s in starts if s.unloaded is Answer.YES)
    no = sum(1 for s in starts if s.unloaded is Answer.NO)
    unknown = len(starts) - yes - no
    if not yes + no:
        return Share(0, 0, unknown, None, None, None)
    low, high = wilson(yes, yes + no)
    return Share(yes, yes + no, unknown, yes / (yes + no), low, high)


@dataclass(frozen=True, slots=True)
class _Shown:
    """What every start of a record is read from."""

    amps: Samples | None
    motor: Motor
    commands: Mapping[Role, Command]
    rotors: Difference | None


def _start(subject: Subject, run: Run, before: Run | None, stopped: Stop | None, shown: _Shown) -> tuple[Start, Beside]:
    """One start, not yet judged, and what was seen beside its amps."""
    assert run.begin is not None
    record = subject.record
    amps, motor = shown.amps, shown.motor
    window = settled_window(subject, run, shown.commands)
    settled = _settled_amps(subject, window, amps)
    beside = beside_amps(subject, run, window, motor)
    ratio, ratio_from, why = _ratio(subject, settled, motor, beside)
    rests_on = beside.settled if ratio_from else settled
    bound = _bound(subject, run, shown.amps) if ratio is None and settled.mean is None else None
    inrush, inrush_low, inrush_high = _inrush(subject, run)
    off_s = (run.first_ns - before.last_ns) / NS if before is not None and before.end is not None else None
    start = Start(
        run.first_ns,
        run.begin.earliest_ns,
        run.begin.latest_ns,
        inrush_amps=inrush,
        inrush_low=inrush_low,
        inrush_high=inrush_high,
        inrush_censored="above" if inrush is None and inrush_low is not None else "",
        settled_amps=settled.mean,
        settled_low=None if settled.mean is None else settled.mean - _half_width(subject, settled),
        settled_high=None if settled.mean is None else settled.mean + _half_width(subject, settled),
        ratio=None if ratio is None else ratio.value,
        low=None if ratio is None else ratio.low,
        high=bound if ratio is None else ratio.high,
        ratio_censored="" if bound is None else "below",
        ratio_from=ratio_from,
        why_not=why,
        reverse_rotation=_direction(subject, run, shown.rotors),
        previous_stop=stopped.as_previous if stopped is not None else PreviousStop.UNKNOWN,
        off_s=off_s,
        ran_s=(run.last_ns - run.first_ns) / NS if run.end is not None else None,
        slide_percent=_slide(record, run, window),
        settled_from_ns=window.from_ns,
        settled_to_ns=window.to_ns,
        settled_ended_by=window.ended_by,
        settled_samples=rests_on.count,
        in_window=record.window.start_ns <= run.first_ns < record.window.end_ns,
        cites=_cites(amps, settled, run) + beside.settled.cites(motor.power),
    )
    return start, beside


def _settled_amps(subject: Subject, window: Window, amps: Samples | None) -> SettledCurrent:
    if amps is None:
        return SettledCurrent(None, why_not="no motor_amps", unseen=True)
    return settled_in(subject, window, amps, subject.machine.rated_load_amps)


def _ratio(subject: Subject, settled: SettledCurrent, motor: Motor, beside: Beside) -> tuple[Interval | None, str, str]:
    """Settled over rated amps, what it comes from where not from amps, and why there is none."""
    rated = subject.machine.rated_load_amps
    if settled.mean is None and settled.unseen and motor.power is not None:
        found = ratio_by_power(subject, motor, beside)
        return found, Role.MOTOR_POWER.value if found else "", "" if found else f"{settled.why_not}; {beside.no_power}"
    if settled.mean is None:
        return None, "", settled.why_not
    if rated is None:
        return None, "", "no rated_load_amps on the nameplate given"
    half = _half_width(subject, settled)
    return Interval(settled.mean / rated, (settled.mean - half) / rated, (settled.mean + half) / rated), "", ""


def _sensor_error(subject: Subject) -> float:
    """Error of the current sensor, as a share."""
    given = subject.machine.current_sensor.ratio_error_percent
    return (given if given is not None else subject.limits["starts.sensor_error_percent"]) / 100


def _half_width(subject: Subject, settled: SettledCurrent) -> float:
    return 0.0 if settled.mean is None else settled.mean * _sensor_error(subject) + settled.half_width


def _bound(subject: Subject, run: Run, amps: Samples | None) -> float | None:
    """Ratio above which a start can't have settled, the sensor's error added; None: not known."""
    rated, bound = subject.machine.rated_load_amps, ramp_bound(subject, run, amps)
    return None if rated is None or bound is None else bound * (1.0 + _sensor_error(subject)) / rated


def _inrush(subject: Subject, run: Run) -> tuple[float | None, float | None, float | None]:
    """Largest current of the start, A, with its interval; a waveform first, then the trends.

    A sample in the inrush is sure only where a trend is sampled at half its length or faster, and a maximum that a
    logger formed itself (recorded ``maximum``) holds at any interval. What slower samples show is a bound from below:
    no value then, and no upper end.
    """
    error = _sensor_error(subject)
    wave = start_waveform(subject, run)
    if wave is not None:
        most = float(np.max(wave[2]))
        return most, most * (1.0 - error), most * (1.0 + error)
    lasts_s = settle_s(subject.limits, subject.machine.starter or Starter.ACROSS_THE_LINE)
    # in star a winding carries the line current: what was taken times root 3 was not to be
    in_star = subject.machine.current_sensor.place == IN_DELTA and subject.machine.starter is Starter.STAR_DELTA
    sure: list[float] = []
    seen: list[float] = []
    for role in (Role.MOTOR_AMPS, *PHASES):
        for point in subject.record.samples.get(role, ()):
            part = point.usable.between(run.first_ns - NS, min(run.first_ns + 15 * NS, run.last_ns + NS))
            if len(part):
                fast = point.interval_s <= lasts_s / 2.0 or point.origin.recorded is Recorded.MAXIMUM
                (sure if fast else seen).append(float(np.max(part.v)))
    if not sure:
        return None, max(seen) * (1.0 - error) if seen else None, None
    most = max(sure)
    return most, most * (1.0 - error) / (ROOT_3 if in_star else 1.0), most * (1.0 + error)


def _slide(record: Record, run: Run, window: Window) -> float | None:
    """Slide position over the unloaded start: its samples in the window, else the readings on both sides of it."""
    slide = record.fastest(Role.SLIDE_POSITION)
    if slide is None or run.begin is None:
        return None
    part = slide.usable.between(run.begin.earliest_ns, window.to_ns)
    if len(part):
        return middle(part.v)
    change = slide.origin.recorded is Recorded.CHANGE
    before = slide.before(run.begin.earliest_ns, None if change else 120.0)
    if change:
        return None if before is None else before.value
    after = slide.after(run.begin.earliest_ns, 120.0)
    if before is None or after is None:
        return None
    # the slide does not move at rest: both sides alike bound it
    return max(before.value, after.value) if abs(before.value - after.value) < 2 * SLIDE_RISE else None


def _direction(subject: Subject, run: Run, rotors: Difference | None) -> Outcome:
    """Whether the motor started backwards: measured, else by the pressures in its first seconds."""
    until = min(run.last_ns, run.first_ns + 60 * NS)
    measured = at_start(subject, run.first_ns + 3 * NS, until)
    if measured.outcome is not Outcome.CANNOT_TELL:
        return measured.outcome
    return by_pressures(subject, run, rotors)


def by_pressures(subject: Subject, run: Run, rotors: Difference | None) -> Outcome:
    """Direction of a start by pressures: discharge below suction and falling is backwards, above and rising forward.

    While the unloading valve is open little separates, either way: a smaller fall tells where the machine's own earlier
    starts rose as long after they began. Crossed pressure lines look alike but for the size of both movements and the
    oil: then it is cannot-tell.
    """
    limits = subject.limits
    if rotors is None or rotors.interval_s > limits["coastdown.fast_interval_s"] * 5:
        return Outcome.CANNOT_TELL
    until = min(run.last_ns, run.first_ns + 60 * NS)
    before = rotors.last_before(run.first_ns - 2 * NS, max(20.0, 2 * rotors.interval_s))
    _, values = rotors.between(run.first_ns + 2 * NS, until)
    if before is None or len(values) < 3:  # noqa: PLR2004 - three samples make a course
        return Outcome.CANNOT_TELL
    tail = middle(values[-max(3, len(values) // 3) :])
    margin = limits["starts.backwards_kpa"] + rotors.offset_error_kpa / 2
    fell = before - tail > limits["starts.backwards_own_kpa"] and tail < 0.0
    if fell and before < margin and _own_rise(subject, run, rotors, until):
        return Outcome.PRESENT if _falls_not_crossed(run, rotors, until) else Outcome.CANNOT_TELL
    if tail - before > limits["starts.lift_kpa"] and tail > limits["starts.lift_kpa"]:
        return Outcome.ABSENT
    if before < margin and tail < -margin and _falls_not_crossed(run, rotors, until):
        return Outcome.PRESENT
    return Outcome.CANNOT_TELL


def _own_rise(subject: Subject, run: Run, rotors: Difference, until: int) -> bool:
    """Whether at enough earlier starts the difference rose, as long after they began; no offset bears on that."""
    span_ns, least = until - run.first_ns, subject.limits["starts.backwards_own_kpa"]
    rose = 0
    for other in subject.runs:
        if other.first_ns >= run.first_ns or other.last_ns - other.first_ns < span_ns:
            continue
        before = rotors.last_before(other.first_ns - 2 * NS, max(20.0, 2 * rotors.interval_s))
        _, values = rotors.between(other.first_ns + 2 * NS, other.first_ns + span_ns)
        if before is not None and len(values) >= 3:  # noqa: PLR2004 - three samples make a course
            rose += middle(values[-max(3, len(values) // 3) :]) - before > least
    return rose >= subject.limits["starts.backwards_own_starts"]


def _falls_not_crossed(run: Run, rotors: Difference, until: int) -> bool:
    """Discharge fell, suction hardly rose, and no oil difference came: not two pressure lines crossed."""
    first = [p.before(run.first_ns - 2 * NS) for p in (rotors.upper, rotors.lower)]
    last = [p.before(until) for p in (rotors.upper, rotors.lower)]
    if first[0] is None or first[1] is None or last[0] is None or last[1] is None:
        return False
    fell, rose = first[0].value - last[0].value, last[1].value - first[1].value
    return fell > 0 and rose < max(0.5 * fell, 10.0) and rose > -10.0  # noqa: PLR2004 - about the error of a sensor


def _cites(point: Samples | None, settled: SettledCurrent, run: Run) -> tuple[Cite, ...]:
    if point is None or settled.rows is not None:
        return settled.cites(point)
    if run.begin is not None and run.seen_in.partition("+")[0] == Role.MOTOR_AMPS.value:
        return (Cite(point.origin.source, point.origin.column, (run.begin.row, run.begin.row)),)
    return ()
