"""The table of stops: kind, release of the unloading valve, equalisation, high-side decay, residual, rotation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.machine.commands import Command, read_commands
from forensics.machine.equalisation import equalisation, high_side_decay, residual_difference
from forensics.machine.rotation import ALREADY_BACKWARDS, NEITHER, after_stop
from forensics.machine.rotor_pressure import Difference, across_rotors, difference
from forensics.machine.runs import apart_from_runs_s
from forensics.machine.states import Run
from forensics.machine.stop_kind import classify_stop
from forensics.machine.subject import Subject
from forensics.model.findings import Cite, Stop
from forensics.model.points import NS, OFF, Samples, middle
from forensics.model.record import Record
from forensics.model.vocabulary import Answer, Outcome, Role, StopKind
from forensics.rules import Limits

Floats = NDArray[np.float64]
_FEWEST = 4
NO_LIFT = "lift before the stop: too little to read"


@dataclass(frozen=True, slots=True)
class Pressures:
    """What a stop is read from."""

    rotors: Difference | None
    high: Difference | None
    why_no_rotors: str
    why_no_high: str


@dataclass(frozen=True, slots=True)
class Collapse:
    """How the difference across the rotors went after a stop.

    Attributes
    ----------
    lift_kpa
        Before the stop sequence.
    at_stop_kpa
        At the end of current.
    share_released
        Share of the lift left a few seconds after the unloading valve was due to open; NaN where not sampled.
    least_released
        The least of the same share, NaN where the later half of these seconds is not sampled: a valve that opened late
        holds at first, and not through them.
    share_held
        Share of the difference at the end of current left 2.5 to 5 s later.
    ran_on
        The motor still ran when the valve was due to open, and fed the discharge side.
    """

    lift_kpa: float
    at_stop_kpa: float
    share_released: float
    least_released: float
    share_held: float
    samples: int
    ran_on: bool


def list_stops(subject: Subject) -> tuple[Stop, ...]:
    """Tabulate every stop of the record, history included.

    A stop is where the current ends. Pressures are read from the earlier of the release of the unloading valve and the
    end of current. Times constants are fitted for the last ``coastdown.fits_most`` stops only.

    Returns
    -------
    tuple of Stop
        In time order; what can't be had is None, with ``why_not`` by field.
    """
    ended = [(i, run) for i, run in enumerate(subject.runs) if run.end is not None]
    pressures = _pressures(subject)
    commands = read_commands(subject.record, subject.profile)
    fitted = len(ended) - subject.limits.count("coastdown.fits_most")
    table = []
    for place, (index, run) in enumerate(ended):
        following = subject.runs[index + 1].first_ns if index + 1 < len(subject.runs) else subject.record.window.end_ns
        fit = place >= fitted or run.last_ns >= subject.record.window.start_ns
        table.append(_stop(subject, run, following, pressures, commands, fit=fit))
    return _with_inferred_rotation(subject, tuple(table), pressures)


def _pressures(subject: Subject) -> Pressures:
    record = subject.record
    rotors, high = across_rotors(subject), difference(subject, Role.CONDENSER_PRESSURE)
    unknown_place = Role.HIGH_SIDE_PRESSURE in record.samples
    place = "of the high-side pressure it is not known whether it is taken before or after the check valve"
    no_suction = "no suction_pressure" if record.point(Role.SUCTION_PRESSURE) is None else ""
    why_rotors = no_suction or (place if unknown_place else "no discharge_pressure before the check valve")
    why_high = no_suction or (place if unknown_place else "no condenser_pressure after the check valve")
    rotors, why_rotors = _timed(subject, rotors, why_rotors)
    high, why_high = _timed(subject, high, why_high)
    return Pressures(rotors, high, "" if rotors else why_rotors, "" if high else why_high)


def _timed(subject: Subject, found: Difference | None, why: str) -> tuple[Difference | None, str]:
    """A difference, unless its clock is known too little to hold it against stops; then why."""
    if found is None:
        return None, why
    clock, limit = found.upper.origin.clock, subject.limits["coastdown.fast_interval_s"]
    apart_s = apart_from_runs_s(subject.record, clock)
    if apart_s <= max(limit, found.interval_s):
        return found, why
    return None, f"the clock '{clock}' of the pressures is known to {apart_s:.0f} s only"


def _stop(
    subject: Subject, run: Run, following_ns: int, pressures: Pressures, commands: Mapping[Role, Command], *, fit: bool
) -> Stop:
    assert run.end is not None
    record, limits = subject.record, subject.limits
    ending = classify_stop(subject, run)
    why: dict[str, str] = {}
    stop = Stop(
        run.last_ns,
        run.end.earliest_ns,
        run.end.latest_ns,
        kind=ending.kind,
        power_lost=ending.power_lost,
        cause_text=ending.text or ("loss of supply" if ending.power_lost else ""),
        slide_percent=_slide_at(record, run.end.earliest_ns),
        amps_before=_amps_before(record, run),
        ran_s=(run.last_ns - run.first_ns) / NS if run.begin is not None else None,
        in_window=record.window.start_ns <= run.last_ns < record.window.end_ns,
        cites=_cites(record, run),
    )
    released_ns = release_ns(run, commands, limits)
    course = collapse(subject, run, released_ns, following_ns, pressures.rotors)
    stop = replace(stop, **_release(course, pressures, limits, why))
    turned = after_stop(subject, run.last_ns, following_ns)
    if turned.outcome is not Outcome.CANNOT_TELL:
        stop = replace(stop, reverse_rotation=turned.outcome, reverse_basis="measured")
    else:
        why["reverse_rotation"] = turned.why_not
    if fit:
        stop = replace(stop, **_fits(stop, run, following_ns, pressures, limits, why))
    return replace(stop, why_not=why)


def release_ns(run: Run, commands: Mapping[Role, Command], limits: Limits) -> int | None:
    """When the command released the unloading valve for a stop, ns UTC; None where that is not logged."""
    command = commands.get(Role.BYPASS_SOLENOID)
    if command is None:
        return None
    earliest = max(run.first_ns, run.last_ns - round(limits["states.stop_longest_s"] * NS))
    edges = [e for e in command.edges(earliest, run.last_ns + 60 * NS) if e.to == OFF]
    return edges[-1].latest_ns if edges else None


def collapse(
    subject: Subject, run: Run, released_ns: int | None, following_ns: int, rotors: Difference | None
) -> Collapse | None:
    """Course of the difference across the rotors after a stop; None where it is not logged."""
    if rotors is None or run.end is None:
        return None
    limits = subject.limits
    begin = min(run.last_ns, released_ns or run.last_ns)
    lift = _lift_before(rotors, begin, run, known=released_ns is not None)
    at_stop = rotors.last_before(run.end.earliest_ns, max(2.0, rotors.interval_s))
    if lift is None or at_stop is None:
        return None
    from_ns, to_ns = round(limits["coastdown.held_from_s"] * NS), round(limits["coastdown.held_to_s"] * NS)
    due_ns, due = rotors.between(begin + from_ns, min(begin + to_ns, following_ns))
    _, held = rotors.between(run.last_ns + from_ns, min(run.last_ns + to_ns, following_ns))
    share_due = middle(due) / lift if len(due) and lift > 0 else float("nan")
    share_held = middle(held) / at_stop if len(held) and at_stop > 0 else float("nan")
    # held is held through these seconds: a sample at their begin alone may come before a late release
    through = len(due) > 0 and lift > 0 and int(due_ns[-1]) >= begin + (from_ns + to_ns) // 2
    least_due = float(np.min(due)) / lift if through else float("nan")
    return Collapse(lift, at_stop, share_due, least_due, share_held, len(due) + len(held), begin + to_ns <= run.last_ns)


def _lift_before(rotors: Difference, begin: int, run: Run, *, known: bool) -> float | None:
    if known:
        return rotors.last_before(begin - NS, max(10.0, 2 * rotors.interval_s))
    # where the release is not logged it may lie tens of seconds before the stop: the largest of the last minutes
    _, values = rotors.between(max(run.first_ns, begin - 180 * NS), begin)
    return float(np.quantile(values, 0.9)) if len(values) else None


def _release(course: Collapse | None, pressures: Pressures, limits: Limits, why: dict[str, str]) -> dict[str, Any]:
    """Answers on the unloading valve."""
    if course is None or pressures.rotors is None:
        why["bypass_released"] = pressures.why_no_rotors or "no pressures around the stop"
        return {}
    found: dict[str, Any] = {"difference_at_stop_kpa": course.at_stop_kpa}
    if course.lift_kpa < limits["coastdown.least_lift_kpa"]:
        why["bypass_released"] = f"only {course.lift_kpa:.0f} kPa of {NO_LIFT}"
        return found
    if pressures.rotors.interval_s > limits["coastdown.fast_interval_s"] + 1e-6:
        slow = pressures.rotors.interval_s
        why["bypass_released"] = f"pressures every {slow:g} s: the hold of a few seconds needs 2 s or faster"
        return found
    found["equal_at_motor_off"] = course.at_stop_kpa < limits["coastdown.equal_share"] * course.lift_kpa
    share = course.share_released
    if found["equal_at_motor_off"]:
        found["bypass_released"] = Answer.YES
    elif np.isnan(share):
        why["bypass_released"] = "no samples 2.5 to 5 s after the stop"
    elif course.least_released > limits["coastdown.running_held_share" if course.ran_on else "coastdown.held_share"]:
        found["bypass_released"] = Answer.NO
    elif share < limits["coastdown.running_released_share" if course.ran_on else "coastdown.released_share"]:
        found["bypass_released"] = Answer.YES
    else:
        why["bypass_released"] = f"{100 * share:.0f} % of the lift left after 2.5 to 5 s: neither held nor let through"
    return found


def _fits(
    stop: Stop,
    run: Run,
    following_ns: int,
    pressures: Pressures,
    limits: Limits,
    why: dict[str, str],
) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if pressures.rotors is None:
        why["equalisation_time_constant_s"] = why["residual_difference_kpa"] = pressures.why_no_rotors
    else:
        if stop.equal_at_motor_off:
            why["equalisation_time_constant_s"] = "the pressures were equal when the motor stopped"
        else:
            tau = equalisation(pressures.rotors, run.last_ns, following_ns, limits)
            found["equalisation_time_constant_s"], found["equalisation_error_s"], reason = tau
            if reason:
                why["equalisation_time_constant_s"] = reason
        residual, error, reason = residual_difference(pressures.rotors, run.last_ns, following_ns, limits)
        found["residual_difference_kpa"], found["residual_error_kpa"] = residual, error
        if reason:
            why["residual_difference_kpa"] = reason
    if pressures.high is None:
        why["high_side_decay_s"] = pressures.why_no_high
    else:
        decay, error, reason = high_side_decay(pressures.high, run.last_ns, following_ns, limits)
        found["high_side_decay_s"], found["high_side_decay_error_s"] = decay, error
        if reason:
            why["high_side_decay_s"] = reason
    return found


def _with_inferred_rotation(subject: Subject, stops: tuple[Stop, ...], pressures: Pressures) -> tuple[Stop, ...]:
    """Add what pressures at 2 s or faster let infer on reverse rotation where nothing measured it."""
    rotors = pressures.rotors
    healthy = sum(1 for stop in stops if stop.bypass_released is Answer.YES)
    out = []
    following = np.array([run.first_ns for run in subject.runs], dtype=np.int64)
    for stop in stops:
        if stop.reverse_basis == "measured" or stop.why_not.get("reverse_rotation") == ALREADY_BACKWARDS:
            out.append(stop)
            continue
        later = int(np.searchsorted(following, stop.time_ns, side="right"))
        until = int(following[later]) if later < len(following) else subject.record.window.end_ns
        outcome, basis, reason = _inferred(stop, rotors, until, healthy, subject.limits)
        why = {**stop.why_not}
        if reason:
            why["reverse_rotation"] = reason
        else:
            why.pop("reverse_rotation", None)
        out.append(replace(stop, reverse_rotation=outcome, reverse_basis=basis, why_not=why))
    return tuple(out)


def _inferred(
    stop: Stop, rotors: Difference | None, until_ns: int, healthy: int, limits: Limits
) -> tuple[Outcome, str | None, str]:
    unknown = Outcome.CANNOT_TELL
    if rotors is None or rotors.interval_s > limits["coastdown.fast_interval_s"] + 1e-6:
        return unknown, None, NEITHER
    off = stop.time_ns
    t, v = rotors.between(off, min(until_ns, off + round(limits["coastdown.lost_after_s"] * NS)))
    at_stop = stop.difference_at_stop_kpa
    if at_stop is None or len(v) < _FEWEST:
        return unknown, None, NEITHER
    if at_stop < -limits["coastdown.spent_difference_kpa"]:
        return unknown, None, "discharge stood below suction at the end of current: the machine ran the wrong way"
    seconds = (t - off) / NS
    late = v[seconds >= limits["coastdown.lost_after_s"] / 2]
    error = rotors.offset_error_kpa
    small = max(at_stop, float(np.max(v))) + error <= limits["coastdown.driving_difference_kpa"]
    if small and len(late) and middle(late) <= limits["coastdown.spent_difference_kpa"]:
        return Outcome.ABSENT, "inferred", ""
    if stop.bypass_released is not Answer.NO:
        return unknown, None, "a difference was left across the rotors, but it was not seen to be held and then lost"
    fall_s = _fall_s(seconds, v, at_stop)
    if fall_s is None:
        return unknown, None, "the pressure was held after the stop and not lost within a minute"
    if fall_s < limits["coastdown.fall_least_s"]:
        return unknown, None, "the pressure was held and then lost within seconds, as a small volume is"
    if not healthy:
        return unknown, None, "no stop of this machine's own with the unloading valve released to compare with"
    return Outcome.PRESENT, "inferred", ""


def _fall_s(seconds: Floats, values: Floats, at_stop: float) -> float | None:
    """Time from nine tenths to a fifth of the difference at the stop, s; None where it does not get there."""
    low = np.flatnonzero(values <= 0.2 * at_stop)
    if not len(low):
        return None
    high = np.flatnonzero(values[: low[0] + 1] >= 0.9 * at_stop)
    begin = float(seconds[high[-1]]) if len(high) else 0.0
    return float(seconds[low[0]]) - begin


def _slide_at(record: Record, time_ns: int) -> float | None:
    slide = record.point(Role.SLIDE_POSITION)
    reading = slide.before(time_ns, 180.0 if slide.origin.hold_s is None else None) if slide is not None else None
    return None if reading is None else reading.value


def _amps_before(record: Record, run: Run) -> float | None:
    assert run.end is not None
    amps = record.point(Role.MOTOR_AMPS)
    if amps is None:
        return None
    part = amps.usable.between(run.end.earliest_ns - 15 * NS, run.end.earliest_ns + 1)
    if len(part):
        return middle(part.v)
    reading = amps.before(run.end.earliest_ns)
    return None if reading is None else reading.value


def _cites(record: Record, run: Run) -> tuple[Cite, ...]:
    amps: Samples | None = record.point(Role.MOTOR_AMPS)
    if amps is None or run.end is None or run.seen_in.partition("+")[0] != Role.MOTOR_AMPS.value:
        return ()
    return (Cite(amps.origin.source, amps.origin.column, (max(run.end.row - 1, 1), run.end.row)),)


def was_trip(stop: Stop) -> bool:
    """Whether a stop was no normal one."""
    return stop.kind is StopKind.TRIP
