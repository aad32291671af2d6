"""How the expansion valve behaves: hunting, at its ends, not answering."""

from __future__ import annotations

import numpy as np

from forensics.machine.duty.baseline import AlignedSamples, Derived, Floats, cite, episodes, max_age_s
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS, Samples, Span
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.limits_and_baseline import (
    ThresholdTest,
    against_limit,
    running,
    running_saturated,
)
from forensics.signatures.refrigerant.swing import Swing, swing_of

_VALVE = ((Role.EXPANSION_VALVE_POSITION,),)
_LEAST_STEP_S = 2.0
_SAMPLES_PER_PERIOD = 4.0
_LONGEST_LOOK_S = 43_200.0


@detector("refrigerant.hunting", running)
def hunting(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether superheat (or the valve) swings with one period while capacity is steady.

    Stretches of settled running are detrended and weighed with a Hann window; the strongest line of the periodogram and
    its neighbours must hold most of the variance. A period T is looked for only where samples come every T/4 or faster.
    """
    limits = subject.limits
    points = {r: p for r, p in frame.points.items() if r in _SWINGING}
    by_superheat = Role.SUCTION_TEMPERATURE in points and subject.saturation is not None
    if not by_superheat and Role.EXPANSION_VALVE_POSITION not in points:
        return cannot_tell(check, "superheat needs saturation data, and the valve position is not logged")
    lead_roles = [Role.SUCTION_PRESSURE, Role.SUCTION_TEMPERATURE] if by_superheat else [Role.EXPANSION_VALVE_POSITION]
    interval_s = max(points[role].interval_s for role in lead_roles)
    shortest_s = max(limits["refrigerant.hunting_shortest"], _SAMPLES_PER_PERIOD * interval_s)
    swings, looked, longest_s = _swings(subject, frame, points, interval_s, shortest_s, by_superheat=by_superheat)
    if not looked:
        return cannot_tell(check, "no settled stretch of running long enough to show a period")
    limit_name = "refrigerant.hunting_amplitude" if by_superheat else "refrigerant.hunting_valve"
    limit = limits[limit_name]
    over = [s for s in swings if s.amplitude > limit]
    own = [s for s in over if not _capacity_may_lead(subject, s)]
    if over and not own:
        why = (
            "the slide, or without it the current, swings at the same period: capacity control may lead, not the valve"
        )
        return cannot_tell(check, why, unlocked_by="log the expansion valve position")
    if not own and shortest_s > limits["refrigerant.hunting_shortest"]:
        why = f"samples every {interval_s:g} s show periods of {shortest_s:g} s and longer only; none was seen"
        return cannot_tell(check, why)
    if not own and longest_s < limits["refrigerant.hunting_usual"]:
        why = f"the settled stretches show periods of {longest_s:.0f} s and shorter only; none was seen"
        return cannot_tell(check, why, unlocked_by="longer runs in the record")
    best = max(own or swings, key=lambda s: s.amplitude, default=None)
    value = 0.0 if best is None else best.amplitude
    unit = "K" if by_superheat else "%"
    words = "superheat (dew)" if by_superheat else "valve position"
    text = f"{words} swings by {value:.2g} {unit} (limit {limit:g} {unit})"
    if best is not None and own:
        text += f", period {best.period_s:.0f} s, in {len(own)} of {looked} stretches"
        if np.isfinite(best.valve_leads_deg) and best.valve > 0.0:
            text += f"; the valve moves by {best.valve:.2g} % and leads by {best.valve_leads_deg:.0f} degrees"
    near = not own and value > limits["duty.near_share"] * limit
    outcome = Outcome.PRESENT if own else Outcome.CANNOT_TELL if near else Outcome.ABSENT
    sizes = [s.amplitude for s in own]
    first, last = (own[0].start_ns, own[-1].end_ns) if own else (int(frame.t[0]), int(frame.t[-1]))
    return make_finding(
        subject,
        check,
        outcome,
        text,
        Value(value, min(sizes, default=value), max(sizes, default=value), unit, limit_name, above=True),
        Seen(
            (first, last),
            tuple(c for role in lead_roles for c in cite(points[role], first, last)),
            interval_s,
            len(own) if own else looked,
        ),
        why_not="too near the limit to call it absent",
    )


def _capacity_may_lead(subject: Subject, swing: Swing) -> bool:
    """Whether slide, or the current where it is not logged, swings along; so it may where neither is logged."""
    if np.isfinite(swing.slide):
        return swing.slide > subject.limits["refrigerant.hunting_slide"]
    rated = subject.machine.rated_load_amps
    return not (rated and swing.amps / rated <= subject.limits["refrigerant.hunting_amps"])


_SWINGING = (
    Role.SUCTION_PRESSURE,
    Role.SUCTION_TEMPERATURE,
    Role.EXPANSION_VALVE_POSITION,
    Role.SLIDE_POSITION,
    Role.MOTOR_AMPS,
)


def _swings(
    subject: Subject,
    frame: AlignedSamples,
    points: dict[Role, Samples],
    interval_s: float,
    shortest_s: float,
    *,
    by_superheat: bool,
) -> tuple[list[Swing], int, float]:
    limits = subject.limits
    step_s = max(interval_s, _LEAST_STEP_S)
    settle_ns = round(limits["duty.settle_after_start"] * NS)
    before_ns = round(limits["duty.settle_before_stop"] * NS)
    window = subject.record.window
    end_ns = min(window.end_ns, subject.record.failure_ns)
    low_ns = max(window.start_ns, end_ns - round(_LONGEST_LOOK_S * NS))
    found: list[Swing] = []
    looked, longest_s = 0, 0.0
    for k, span in enumerate(frame.spans):
        stop_ns = span.end_ns if k == frame.failing else span.end_ns - before_ns
        inner = Span(span.start_ns + settle_ns, stop_ns).overlap(Span(low_ns, end_ns))
        if inner is None:
            continue
        length_s = min(limits["refrigerant.hunting_segment"], inner.seconds)
        n = int(length_s / step_s)
        if length_s < limits["refrigerant.hunting_segment_least"]:
            continue
        for part in range(int(inner.seconds / (n * step_s))):
            start_ns = inner.end_ns - round((part + 1) * n * step_s * NS)
            t = start_ns + (np.arange(n) * round(step_s * NS)).astype(np.int64)
            data = {role: point.at(t, max_age_s(point)) for role, point in points.items()}
            lead = data[Role.EXPANSION_VALVE_POSITION] if not by_superheat else _superheat(subject, data)
            if not np.all(np.isfinite(lead)):
                continue
            looked += 1
            slowest_s = min(limits["refrigerant.hunting_slowest"], length_s / limits["refrigerant.hunting_periods"])
            longest_s = max(longest_s, slowest_s)
            swing = swing_of(t, lead, data, step_s, (shortest_s, slowest_s), limits["refrigerant.hunting_share"])
            if swing is not None:
                found.append(swing)
    return sorted(found, key=lambda swing: swing.start_ns), looked, longest_s


def _superheat(subject: Subject, data: dict[Role, Floats]) -> Floats:
    assert subject.saturation is not None
    return data[Role.SUCTION_TEMPERATURE] - subject.saturation.dew_c(data[Role.SUCTION_PRESSURE])


@detector("refrigerant.valve_wide_open", running)
def valve_wide_open(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the expansion valve stayed at its open end in settled running."""
    return _valve_end(subject, check, frame, "refrigerant.valve_open", above=True)


@detector("refrigerant.valve_shut", running)
def valve_shut(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the expansion valve stayed shut in settled running."""
    return _valve_end(subject, check, frame, "refrigerant.valve_shut", above=False)


def _valve_end(subject: Subject, check: str, frame: AlignedSamples, limit: str, *, above: bool) -> Finding:
    reading = frame.values.get(Role.EXPANSION_VALVE_POSITION)
    if reading is None:
        return cannot_tell(check, "no trusted reading of expansion_valve_position")
    look = ThresholdTest(
        check,
        reading,
        "%",
        "expansion valve position",
        limit,
        above=above,
        lasting=f"{limit}_lasting",
        groups=_VALVE,
    )
    return against_limit(subject, frame, look)


@detector("refrigerant.valve_position_mismatch", running_saturated)
def valve_position_mismatch(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether superheat stayed outside its band while the valve stood still away from its ends."""
    limits = subject.limits
    valve = frame.of(Role.EXPANSION_VALVE_POSITION)
    superheat_k = derived.superheat_k
    if valve is None:
        return cannot_tell(check, "no trusted reading of expansion_valve_position")
    usable = frame.settled & frame.judged & np.isfinite(valve) & np.isfinite(superheat_k)
    if not usable.any():
        return cannot_tell(check, "no settled running with superheat (dew) and the valve position")
    groups = ((Role.SUCTION_PRESSURE,), (Role.SUCTION_TEMPERATURE,), *_VALVE)
    interval_s = frame.interval_s(*groups)
    outside = (superheat_k < limits["refrigerant.superheat_low"]) | (superheat_k > limits["refrigerant.superheat_high"])
    away = (valve > limits["refrigerant.valve_shut"]) & (valve < limits["refrigerant.valve_open"])
    lasting = limits["refrigerant.valve_still_lasting"]
    found = episodes(frame, outside & away, usable, lasting, interval_s)
    still = [
        e
        for e in found
        if float(np.ptp(valve[e.first : e.last + 1][usable[e.first : e.last + 1]])) <= limits["refrigerant.valve_still"]
    ]
    best = max(still, key=lambda e: e.seconds, default=None)
    inside = np.flatnonzero(usable) if best is None else np.arange(best.first, best.last + 1)
    first, last = int(frame.t[inside[0]]), int(frame.t[inside[-1]])
    moved = float(np.ptp(valve[inside][usable[inside]]))
    text = (
        f"superheat (dew) stayed at {np.nanmedian(superheat_k[inside]):.2g} K for {best.seconds / 60.0:.3g} min "
        f"while the valve moved by {moved:.2g} %"
        if best is not None
        else "no stretch with superheat outside its band and a still valve"
    )
    return make_finding(
        subject,
        check,
        Outcome.ABSENT if best is None else Outcome.PRESENT,
        text,
        Value(moved, unit="%", limit_name="refrigerant.valve_still"),
        Seen(
            (first, last),
            frame.cites(groups, first, last),
            interval_s,
            max(1, int((last - first) / NS / max(interval_s, 1.0))) if np.isfinite(interval_s) else 1,
        ),
    )
