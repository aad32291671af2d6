"""The table of stops: kind, release of the unloading valve, equalisation, high-side decay, residual, rotation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from forensics.machine.commands import Command, read_commands
from forensics.machine.rotation import ALREADY_BACKWARDS, NEITHER, after_stop
from forensics.machine.states import Run
from forensics.machine.stops.bypass_release import (
    NO_BYPASS,
    Collapse,
    Emptying,
    collapse,
    emptying,
    forward_until_s,
    judge_release,
    opened,
    own_conductance,
    release_ns,
)
from forensics.machine.stops.check_valve import BackFlow, back_flow, looks_tight, trapped_first
from forensics.machine.stops.equalisation import ALREADY_EQUAL, equalisation, high_side_decay, residual_difference
from forensics.machine.stops.gas_rotation import Valve, speed_bounds
from forensics.machine.stops.rotor_pressure import Difference
from forensics.machine.stops.stop_kind import classify_stop
from forensics.machine.stops.stop_pressures import Pressures, stop_pressures
from forensics.machine.subject import Subject
from forensics.model.findings import Bounds, Cite, Stop
from forensics.model.points import NS, Samples, middle
from forensics.model.record import Record
from forensics.model.vocabulary import Answer, Outcome, Role, StopKind
from forensics.rules import Limits

STAYED = "the pressure before the rotors stayed for a minute, as it does where its sensor sits behind the check valve"

_APART = 0.5  # share of the high side below which the two sensors do not sit on the same side of the check valve


@dataclass(frozen=True, slots=True)
class _Seen:
    """A stop with what its answers are made from."""

    stop: Stop
    run: Run
    following_ns: int
    course: Collapse | None
    flow: BackFlow | None
    emptied: Emptying = field(default_factory=Emptying)
    own_conductance: float | None = None

    def answer(self, found: Mapping[str, Any], why: Mapping[str, str]) -> _Seen:
        return replace(self, stop=replace(self.stop, **found, why_not={**self.stop.why_not, **why}))


def list_stops(subject: Subject) -> tuple[Stop, ...]:
    """Tabulate every stop of the record, history included.

    A stop is where the current ends. Pressures are read from the earlier of the release of the unloading valve and the
    end of current. What one stop can't tell alone (how the machine's own valve empties the discharge side, how fast its
    high side usually falls) comes from the others.

    Returns
    -------
    tuple of Stop
        In time order; what can't be had is None, with ``why_not`` by field.
    """
    ended = [(i, run) for i, run in enumerate(subject.runs) if run.end is not None]
    pressures = stop_pressures(subject)
    commands = read_commands(subject.record, subject.profile, fastest=True)
    last = subject.record.window.end_ns
    table = []
    for index, run in ended:
        following = subject.runs[index + 1].first_ns if index + 1 < len(subject.runs) else last
        table.append(_stop(subject, run, following, pressures, commands))
    table = _with_release(subject, table, pressures)
    return _with_inferred_rotation(subject, table, pressures)


def _stop(
    subject: Subject, run: Run, following_ns: int, pressures: Pressures, commands: Mapping[Role, Command]
) -> _Seen:
    assert run.end is not None
    record, limits = subject.record, subject.limits
    ending = classify_stop(subject, run)
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
    flow = back_flow(pressures, run.last_ns, following_ns, limits)
    seen = _Seen(stop, run, following_ns, course, flow)
    turned = after_stop(subject, run.last_ns, following_ns)
    if turned.outcome is not Outcome.CANNOT_TELL:
        seen = seen.answer({"reverse_rotation": turned.outcome, "reverse_basis": "measured"}, {})
    else:
        seen = seen.answer({}, {"reverse_rotation": turned.why_not})
    for answers in (_across, _behind, _through):
        seen = seen.answer(*answers(subject, seen, pressures))
    return seen


_Answers = tuple[dict[str, Any], dict[str, str]]


def _across(subject: Subject, seen: _Seen, pressures: Pressures) -> _Answers:
    """How the difference across the rotors went."""
    found: dict[str, Any] = {}
    why: dict[str, str] = {}
    rotors, limits, course = pressures.rotors, subject.limits, seen.course
    if rotors is None:
        why["equalisation_time_constant_s"] = why["residual_difference_kpa"] = pressures.why_no_rotors
        return found, why
    if course is not None:
        found["difference_at_stop_kpa"] = course.at_stop_kpa
        fast = rotors.interval_s <= limits["coastdown.fast_interval_s"] + 1e-6
        if fast and course.lift_kpa >= limits["coastdown.least_lift_kpa"]:
            equal = course.at_stop_kpa < limits["coastdown.equal_share"] * course.lift_kpa
            found["equal_at_motor_off"] = equal
    if found.get("equal_at_motor_off"):
        why["equalisation_time_constant_s"] = "the pressures were equal when the motor stopped"
    else:
        span = (seen.stop.earliest_ns, seen.stop.latest_ns)
        fall, reason = equalisation(rotors, span, seen.following_ns, limits)
        found["equalisation_s"] = fall
        found["equalisation_time_constant_s"] = None if fall is None else fall.value
        if reason:
            why["equalisation_time_constant_s"] = reason
    residual, error, reason = residual_difference(rotors, seen.stop.time_ns, seen.following_ns, limits)
    found["residual_difference_kpa"], found["residual_error_kpa"] = residual, error
    if reason:
        why["residual_difference_kpa"] = reason
    return found, why


def _behind(subject: Subject, seen: _Seen, pressures: Pressures) -> _Answers:
    """How the high side stood."""
    if pressures.high is None:
        return {}, {"high_side_decay_s": pressures.why_no_high}
    decay, error, reason = high_side_decay(pressures.high, seen.stop.time_ns, seen.following_ns, subject.limits)
    found: dict[str, Any] = {"high_side_decay_s": decay, "high_side_decay_error_s": error}
    before = pressures.high.last_before(seen.stop.earliest_ns, max(2.0, pressures.high.interval_s))
    enough = before is not None and before >= subject.limits["coastdown.least_lift_kpa"]
    found["high_side_gone"] = enough and reason == ALREADY_EQUAL and not subject.machine.shared_circuit
    return found, {"high_side_decay_s": reason} if reason else {}


def _through(subject: Subject, seen: _Seen, pressures: Pressures) -> _Answers:
    """How much came back through the check valve."""
    flow = seen.flow
    if flow is None or flow.gone:
        return {}, {"follow_share": "no samples 30 to 60 s after the stop with the high side still up"}
    area = Bounds(None, flow.area_low, None, "above")
    if np.isfinite(flow.area_high):
        area = Bounds((flow.area_low * flow.area_high) ** 0.5, flow.area_low, flow.area_high)
    return {
        "follow_share": Bounds(flow.share, flow.share - flow.error, flow.share + flow.error),
        "check_valve_area": area,
    }, {}


def _with_release(subject: Subject, table: Sequence[_Seen], pressures: Pressures) -> list[_Seen]:
    """Add whether and when the unloading valve opened."""
    if not subject.profile.polarity.has_bypass:
        bare = [seen.answer({"bypass_released": None}, {"bypass_released": NO_BYPASS}) for seen in table]
        return [_with_emptying(seen, pressures.rotors, np.inf, subject.limits) for seen in bare]
    rotors = pressures.rotors
    if rotors is None:
        return [seen.answer({}, {"bypass_released": pressures.why_no_rotors}) for seen in table]
    limits, judged = subject.limits, []
    for seen in table:
        if seen.course is None:
            judged.append(seen.answer({}, {"bypass_released": "no pressures around the stop"}))
            continue
        tight = _shown_tight(seen, limits) and not _fell_fast(subject, seen, table)
        answer, reason = judge_release(
            seen.course,
            rotors.interval_s,
            limits,
            tight=tight,
            from_load=_from_load(subject, seen.stop),
            full_slide=not subject.build.has_slide,
        )
        judged.append(seen.answer({"bypass_released": answer}, {"bypass_released": reason} if reason else {}))
    freed = [s for s in judged if s.stop.bypass_released is Answer.YES]
    own = own_conductance([(s.course, rotors, s.following_ns) for s in freed if s.course is not None])
    return [_with_emptying(_with_opening(seen, rotors, own), rotors, own, limits) for seen in judged]


def _with_emptying(seen: _Seen, rotors: Difference | None, own: float | None, limits: Limits) -> _Seen:
    """Add how the discharge side emptied where its valve was held shut, or where there is none."""
    at_stop = seen.stop.difference_at_stop_kpa
    if rotors is None or at_stop is None or seen.stop.bypass_released not in (Answer.NO, None):
        return seen
    return replace(seen, emptied=emptying(at_stop, seen.stop.latest_ns, seen.following_ns, rotors, own, limits))


def _with_opening(seen: _Seen, rotors: Difference, own: float | None) -> _Seen:
    course = seen.course
    if course is None:
        return seen
    error = rotors.offset_error_kpa / course.lift_kpa
    share = Bounds(course.share_released, course.share_released - error, course.share_released + error)
    found: dict[str, Any] = {"share_released": share if np.isfinite(course.share_released) else None}
    if seen.stop.bypass_released is Answer.YES:
        found["bypass_opened_s"] = opened(course, rotors, seen.following_ns, seen.stop.time_ns, own)
    return replace(seen.answer(found, {}), own_conductance=own)


def _from_load(subject: Subject, stop: Stop) -> bool:
    """Whether the slide may not have been at its minimum when the motor stopped."""
    rated = subject.machine.rated_load_amps
    share = 1.0 if rated is None or stop.amps_before is None else stop.amps_before / rated
    return share > subject.limits["coastdown.load_amps_share"]


def _shown_tight(seen: _Seen, limits: Limits) -> bool:
    """Whether the check valve was shown to hold, by what stood before it some time after the stop."""
    if seen.flow is not None:
        return looks_tight(seen.flow, limits) or trapped_first(seen.flow, seen.course, limits)
    residual, error = seen.stop.residual_difference_kpa, seen.stop.residual_error_kpa
    return residual is not None and error is not None and residual - error <= limits["coastdown.residual_kpa"]


def _fell_fast(subject: Subject, seen: _Seen, table: Sequence[_Seen]) -> bool:
    """Whether the high side fell much faster than at the machine's other stops; without them, than any tight one."""
    limits, decay = subject.limits, seen.stop.high_side_decay_s
    if subject.machine.shared_circuit:
        return False
    if seen.stop.high_side_gone:
        return True
    if decay is None:
        return False
    others = [s.stop.high_side_decay_s for s in table if s is not seen and s.stop.high_side_decay_s is not None]
    if len(others) >= limits["coastdown.own_least"]:
        return decay < limits["coastdown.decay_ratio"] * float(np.median(others))
    return decay < limits["coastdown.decay_plain"] * limits["coastdown.decay_short_s"]


def _with_inferred_rotation(subject: Subject, table: Sequence[_Seen], pressures: Pressures) -> tuple[Stop, ...]:
    """Add what the gas can have done to the rotors where nothing measured it."""
    rotors = pressures.rotors
    stops, until = [seen.stop for seen in table], [seen.following_ns for seen in table]
    if rotors is None:
        return tuple(
            stop if stop.reverse_basis else replace(stop, why_not={**stop.why_not, "reverse_rotation": NEITHER})
            for stop in stops
        )
    ratios = [seen.course.pressure_ratio for seen in table if seen.course is not None]
    own = float(np.nanquantile(ratios, 0.9)) if np.isfinite(ratios).any() else None
    placed = any(s.follow_share is not None and (s.follow_share.high or 1.0) < _APART for s in stops)
    out = []
    valves = [Valve(seen.emptied.stayed_shut, _fed_until_s(subject, seen, rotors)) for seen in table]
    speeds = speed_bounds(subject, stops, until, valves, rotors, own_ratio=own)
    for seen, bounds in zip(table, speeds, strict=True):
        stop = replace(seen.stop, reverse_speed_rpm=bounds)
        if stop.reverse_basis == "measured" or stop.why_not.get("reverse_rotation") == ALREADY_BACKWARDS:
            out.append(stop)
            continue
        lost = placed or _lost(stop, seen.following_ns, rotors, subject.limits)
        outcome, reason = _inferred(stop, bounds, rotors, subject.limits, lost=lost, grew=seen.emptied.grew)
        why = {**stop.why_not, "reverse_rotation": reason}
        if not reason:
            why.pop("reverse_rotation")
        basis = None if outcome is Outcome.CANNOT_TELL else "inferred"
        out.append(replace(stop, reverse_rotation=outcome, reverse_basis=basis, why_not=why))
    return tuple(out)


def _fed_until_s(subject: Subject, seen: _Seen, rotors: Difference) -> float:
    """Until when the rotors fed the discharge side past an open valve; 0 where a leak may have fed it instead.

    From load rotors stop within a second or two, and what then looks like feeding may be the lag of a sensor.
    """
    flow, limits = seen.flow, subject.limits
    if seen.stop.bypass_released is not Answer.YES or flow is None or flow.gone or _from_load(subject, seen.stop):
        return 0.0
    if flow.share + flow.error > limits["coastdown.follow_share"]:
        return 0.0
    late = max(flow.residual_kpa, 0.0) + flow.residual_error_kpa
    span = (seen.stop.earliest_ns, seen.stop.latest_ns)
    return forward_until_s(span, seen.following_ns, rotors, late, seen.own_conductance)


def _lost(stop: Stop, following_ns: int, rotors: Difference, limits: Limits) -> bool:
    """Whether the difference was lost within a minute: one that stays may be taken behind the check valve."""
    last = min(following_ns, stop.time_ns + round(limits["coastdown.lost_after_s"] * NS))
    left = rotors.last_before(last, 10.0)
    at_stop = stop.difference_at_stop_kpa
    return left is not None and at_stop is not None and left <= limits["coastdown.lost_share"] * at_stop


def _inferred(
    stop: Stop, bounds: Bounds | None, rotors: Difference, limits: Limits, *, lost: bool, grew: bool
) -> tuple[Outcome, str]:
    at_stop = stop.difference_at_stop_kpa
    if bounds is None or bounds.low is None or bounds.high is None or at_stop is None:
        return Outcome.CANNOT_TELL, NEITHER
    if at_stop < -limits["coastdown.spent_difference_kpa"]:
        return Outcome.CANNOT_TELL, "discharge stood below suction at the end of current: the machine ran the wrong way"
    if bounds.high < limits["coastdown.standing_rpm"]:
        return Outcome.ABSENT, ""
    if rotors.interval_s > limits["coastdown.fast_interval_s"] + 1e-6:
        return Outcome.CANNOT_TELL, NEITHER
    driven = grew and (bounds.value or 0.0) >= limits["coastdown.turned_rpm"]
    if bounds.low >= limits["coastdown.turned_rpm"] or driven:
        return (Outcome.PRESENT, "") if lost else (Outcome.CANNOT_TELL, f"{STAYED}: {NEITHER}")
    return Outcome.CANNOT_TELL, (
        f"the gas left can have turned the rotors back at {bounds.low:.0f} to {bounds.high:.0f} rpm: {NEITHER}"
    )


def _slide_at(record: Record, time_ns: int) -> float | None:
    slide = record.fastest(Role.SLIDE_POSITION)
    reading = slide.before(time_ns, 180.0 if slide.origin.hold_s is None else None) if slide is not None else None
    return None if reading is None else reading.value


def _amps_before(record: Record, run: Run) -> float | None:
    assert run.end is not None
    amps = record.fastest(Role.MOTOR_AMPS)
    if amps is None:
        return None
    part = amps.usable.between(run.end.earliest_ns - 15 * NS, run.end.earliest_ns + 1)
    if len(part):
        return middle(part.v)
    reading = amps.before(run.end.earliest_ns)
    return None if reading is None else reading.value


def _cites(record: Record, run: Run) -> tuple[Cite, ...]:
    amps: Samples | None = record.fastest(Role.MOTOR_AMPS)
    if amps is None or run.end is None or run.seen_in.partition("+")[0] != Role.MOTOR_AMPS.value:
        return ()
    return (Cite(amps.origin.source, amps.origin.column, (max(run.end.row - 1, 1), run.end.row)),)


def was_trip(stop: Stop) -> bool:
    """Whether a stop was no normal one."""
    return stop.kind is StopKind.TRIP
