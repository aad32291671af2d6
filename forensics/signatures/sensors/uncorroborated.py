"""Whether a reading that left the machine's own usual did so alone, or with what physics ties to it.

A sensor that drifts slowly looks like the fault that it reports. What tells them apart is the company: hot gas heats
the oil, a high condensing pressure is seen by both sensors of the high side and by the motor, a starved suction moves
less gas. Each partner has a least share of the move that it must take; less than a third of that is standing still.
"""

from __future__ import annotations

import numpy as np

from forensics.machine.citations import rows_of_each
from forensics.machine.duty.baseline import (
    HIGH_SIDE,
    AlignedSamples,
    Derived,
    Floats,
    Mask,
    frame_of,
)
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.role_words import in_words
from forensics.model.vocabulary import Outcome, Role
from forensics.refrigerants.saturation import SaturationCurve
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.limits_and_baseline import running_saturated
from forensics.signatures.sensors.partners import (
    Move,
    Partner,
    blocks_of,
    current_partner,
    deviation_over,
    expected_at_duty,
    feed_partner,
    lift_before_kpa,
    partner,
    water_partner,
)

_FEW = 5
_LEAST_MOVE_KPA = 20.0


def _failing_run(subject: Subject, check: str) -> tuple[AlignedSamples, Derived] | Finding:
    """The frame and what saturation makes of it, where it holds the run that failed."""
    got = running_saturated(subject, check)
    if not isinstance(got, Finding) and got[0].failing < 0:
        return cannot_tell(check, "the machine stood at the failure, or the run that failed is not recorded")
    return got


@detector("sensors.discharge_temperature_alone", _failing_run)
def discharge_temperature_alone(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether discharge temperature rose beyond what is possible while the oil that leaves with it did not.

    The rise is a sensor's only where it also lies above the temperature to which compression at the poorest efficiency
    would heat the gas; oil that is cooled apart may stay where it was.

    Notes
    -----
    Method: own usual at like duty; isentropic temperature from the equation of state.
    """
    reading = frame.of(Role.DISCHARGE_TEMPERATURE)
    if reading is None:
        return cannot_tell(check, "no trusted discharge temperature")
    move = _moved(subject, frame, reading, "heat.discharge_climb", lift=True, above=True)
    if isinstance(move, str):
        return cannot_tell(check, f"discharge temperature: {move}")
    least_k = subject.limits["sensors.alone_oil_share"] * move.size_k
    partners = [p for p in [partner(subject, frame, move, Role.OIL_TEMPERATURE, least_k, lift=True)] if p]
    finding = _told(subject, check, frame, move, Role.DISCHARGE_TEMPERATURE, partners, least_still=1)
    if finding.outcome is not Outcome.PRESENT:
        return finding
    hottest = _hottest_c(subject, frame, move.at)
    if hottest is None or float(np.median(reading[move.at])) <= hottest:
        why = "the oil did not warm with it, but oil that is cooled apart need not, and the gas may be as hot as that"
        return cannot_tell(check, why)
    return finding


@detector("sensors.high_side_alone", _failing_run)
def high_side_alone(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether the high-side pressure rose while its second sensor, else motor and discharge gas, stood still."""
    role = next((r for r in HIGH_SIDE if frame.point(r) is not None), HIGH_SIDE[0])
    pressure = frame.of(role)
    if pressure is None:
        return cannot_tell(check, "no trusted pressure of the high side")
    condensing = derived.condensing_dew_c
    move = _moved(subject, frame, condensing, "refrigerant.condensing_rise", lift=False, above=True)
    if isinstance(move, str):
        return cannot_tell(check, f"condensing temperature: {move}")
    limits = subject.limits
    lift_k = float(np.nanmedian(derived.lift_k[move.at])) - move.size_k
    moved = deviation_over(subject, frame, pressure, move.at, _LEAST_MOVE_KPA, lift=False)
    if moved is None:
        return cannot_tell(check, "what pressure of the high side is expected is not known")
    same = limits["sensors.alone_second_share"] * moved.value
    second = [
        found
        for other in HIGH_SIDE
        if other is not role and (found := partner(subject, frame, move, other, same, lift=False)) is not None
    ]
    if second:
        # a second sensor of the same gas decides by itself
        return _told(subject, check, frame, move, role, second, least_still=1)
    least_k = limits["sensors.alone_gas_share"] * move.size_k
    work = limits["sensors.alone_work_share"] * move.size_k / max(lift_k, 1.0)
    partners = [
        partner(subject, frame, move, Role.DISCHARGE_TEMPERATURE, least_k, lift=False),
        current_partner(subject, frame, move, work),
        feed_partner(
            subject,
            frame,
            move,
            limits["sensors.alone_feed_share"] * moved.value / lift_before_kpa(frame, moved.value, move),
        ),
    ]
    return _told(subject, check, frame, move, role, [p for p in partners if p is not None], least_still=2)


@detector("sensors.suction_alone", _failing_run)
def suction_alone(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether suction pressure fell while current, discharge temperature and water stood still.

    Mass flow is proportional to the pressure of the gas drawn in: less of it asks less current, carries less heat from
    the water, and is compressed over a larger lift.
    """
    pressure = frame.of(Role.SUCTION_PRESSURE)
    if pressure is None:
        return cannot_tell(check, "no trusted suction pressure")
    evaporating = derived.suction_dew_c
    move = _moved(subject, frame, evaporating, "refrigerant.suction_drop", lift=False, above=False)
    if isinstance(move, str):
        return cannot_tell(check, f"evaporating temperature: {move}")
    limits = subject.limits
    moved = deviation_over(subject, frame, pressure, move.at, _LEAST_MOVE_KPA, lift=False)
    if moved is None:
        return cannot_tell(check, "what suction pressure is expected is not known")
    fall = -moved.value
    share = fall / max(float(np.nanmedian(pressure[move.at])) + fall, 1.0)
    least_k = limits["sensors.alone_gas_share"] * abs(move.size_k)
    partners = [
        current_partner(subject, frame, move, -limits["sensors.alone_flow_share"] * share),
        partner(subject, frame, move, Role.DISCHARGE_TEMPERATURE, least_k, lift=False),
        water_partner(subject, frame, move, -limits["sensors.alone_flow_share"] * share),
    ]
    known = [p for p in partners if p is not None]
    return _told(subject, check, frame, move, Role.SUCTION_PRESSURE, known, least_still=2)


def stood_alone(subject: Subject) -> frozenset[Role]:
    """Roles whose readings left their own usual alone at the end of the run that failed."""
    alone = []
    for roles, ask in (
        ((Role.DISCHARGE_TEMPERATURE,), discharge_temperature_alone),
        (HIGH_SIDE, high_side_alone),
        ((Role.SUCTION_PRESSURE,), suction_alone),
    ):
        if ask(subject)[0].outcome is Outcome.PRESENT:
            frame = frame_of(subject)
            alone += [next(role for role in roles if frame.point(role) is not None)]
    return frozenset(alone)


def _moved(
    subject: Subject, frame: AlignedSamples, reading: Floats, limit_name: str, *, lift: bool, above: bool
) -> Move | str:
    """How far a reading stands off what is expected as the failing run ended; or why there is nothing to ask."""
    effect = abs(subject.limits[limit_name])
    found = expected_at_duty(subject, frame, reading, effect, lift=lift)
    if found.why_not:
        return found.why_not
    at = _end_of_failing_run(subject, frame)
    estimate = found.over(blocks_of(found, at))
    if estimate is None:
        return "too few readings at the end of the run that failed"
    toward, surely = (estimate.value, estimate.low) if above else (-estimate.value, -estimate.high)
    if toward < effect or surely <= 0.0:
        return "it is not shown to have left what is expected, so that nothing had to go with it"
    return Move(estimate.value, at & np.isfinite(reading))


def _end_of_failing_run(subject: Subject, frame: AlignedSamples) -> Mask:
    there = frame.in_failing_run & (frame.settled | (frame.since_s > subject.limits["duty.settle_after_start"]))
    reach_s = max(subject.limits["sensors.alone_end_s"], _FEW * frame.step_s)
    last = np.asarray(there & (frame.left_s <= reach_s))
    if last.any() or not (settled := np.flatnonzero(frame.settled & frame.judged)).size:
        return last
    # a run that ended as it began: the last settled running of the window stands for it
    end_ns = int(frame.t[settled[-1]])
    return np.asarray(frame.settled & frame.judged & (frame.t > end_ns - round(reach_s * NS)))


def _hottest_c(subject: Subject, frame: AlignedSamples, at: Mask) -> float | None:
    """Discharge temperature at the poorest efficiency that a turning screw has, degC; None where it can't be had."""
    curve = subject.saturation
    parts = [frame.of(Role.SUCTION_PRESSURE), frame.of(Role.SUCTION_TEMPERATURE), frame.of(*HIGH_SIDE)]
    if not isinstance(curve, SaturationCurve) or any(part is None for part in parts):
        return None
    suction_kpa, suction_c, discharge_kpa = (float(np.nanmedian(p[at])) for p in parts if p is not None)
    ideal = curve.isentropic_discharge_c(*(np.array([x]) for x in (suction_kpa, suction_c, discharge_kpa)))
    if not np.isfinite(ideal[0]):
        return None
    return suction_c + (float(ideal[0]) - suction_c) / subject.limits["sensors.alone_efficiency_least"]


def _told(
    subject: Subject,
    check: str,
    frame: AlignedSamples,
    move: Move,
    role: Role,
    partners: list[Partner],
    *,
    least_still: int,
) -> Finding:
    limits = subject.limits
    followed = [p for p in partners if p.share >= 1.0]
    still = [p for p in partners if abs(p.share) <= limits["sensors.alone_still"] and not p.vouches_only]
    undecided = [p for p in partners if p not in followed and p not in still and not p.vouches_only]
    if not followed and (undecided or len(still) < least_still):
        names = ", ".join(p.role.value for p in undecided)
        why = f"{names} moved by too little to count, and by too much to count as still" if names else ""
        unlock = "log oil temperature, power and both pressures of the high side"
        return cannot_tell(check, why or f"too little that must move with {role.value} is known", unlocked_by=unlock)
    told = followed or still
    off = f"{in_words(role)} stood {move.size_k:+.1f} K off its own usual"
    point = frame.points[role]
    span = (int(frame.t[move.at][0]), int(frame.t[move.at][-1]))
    names = ", ".join(in_words(p.role) for p in told)
    with_it = f"with it {names} moved" if followed else f"{names} did not move with it"
    cites = rows_of_each((frame.points[r] for r in (role, *(p.role for p in told))), *span)
    return make_finding(
        subject,
        check,
        Outcome.ABSENT if followed else Outcome.PRESENT,
        f"{off} in its last {(span[1] - span[0]) / NS:.0f} s; {with_it}",
        Value.exact(max((p.share for p in told), key=abs), "1", "sensors.alone_still", above=False),
        Seen(span, cites, point.interval_s, int(move.at.sum())),
    )
