"""Was it too hot: discharge gas, oil, winding, and the thermal image of the motor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.duty.baseline import AlignedSamples, cite, duty_of, heat_of_compression
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_lines
from forensics.model.findings import Finding
from forensics.model.points import NS, Samples, Span
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, downgrade, make_finding
from forensics.signatures.core.like_duty import against_own, expect
from forensics.signatures.core.limits_and_baseline import (
    ThresholdTest,
    against_limit,
    own_then_level,
    running,
)

_DISCHARGE = ((Role.DISCHARGE_TEMPERATURE,),)
_FINE_INTERVAL_S = 10.0
_WARMING_S = 60
_JUMP_LOOK_S = 900


@detector("heat.discharge_temperature_climbs", running)
def discharge_temperature_climbs(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether discharge temperature rose above the machine's own usual at like duty, over several samples.

    What the pressures explain, by the isentropic rise and the machine's own ratio to it, is taken off and told. A rise
    that comes within one sample is a sensor's, and is left open.
    """
    reading = frame.of(Role.DISCHARGE_TEMPERATURE)
    at_pressures, duties = heat_of_compression(subject, frame)
    if reading is None or at_pressures is None:
        return cannot_tell(check, "no trusted discharge temperature")
    look = ThresholdTest(
        check,
        at_pressures,
        "K",
        "discharge temperature",
        "heat.discharge_climb",
        above=True,
        lasting="heat.discharge_climb_lasting",
        groups=_DISCHARGE,
    )
    expected = expect(subject, frame, look, duties)
    whole = expect(subject, frame, replace(look, reading=reading), duty_of(subject, frame, lift=False))
    finding = against_own(subject, frame, look, expected, frame.settled | frame.in_failing_run, whole=whole)
    if finding.outcome is Outcome.PRESENT and finding.from_ns is not None:
        point = frame.points[Role.DISCHARGE_TEMPERATURE]
        if _jumped(subject, point, Span(finding.from_ns - _WARMING_S * NS, finding.from_ns + NS)):
            return downgrade(finding, "the rise came within one sample: no gas line heats so fast")
    return finding


def _jumped(subject: Subject, point: Samples, span: Span) -> bool:
    """Whether a temperature jumped within one sample, where samples are close enough for that to mean something."""
    if point.interval_s > _FINE_INTERVAL_S:
        return False
    good = point.trusted
    low, high = np.searchsorted(good.t, [span.start_ns, span.end_ns])
    part = good.v[max(int(low) - 1, 0) : int(high) + 1]
    steps = np.diff(part)
    gaps_s = np.diff(good.t[max(int(low) - 1, 0) : int(high) + 1]) / NS
    return bool(np.any((steps > subject.limits["heat.one_sample_jump"]) & (gaps_s <= _FINE_INTERVAL_S)))


@detector("heat.discharge_temperature_high_at_failure", running)
def discharge_temperature_high_at_failure(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the last discharge temperatures before the failure lay above the limit."""
    limits = subject.limits
    point = frame.points.get(Role.DISCHARGE_TEMPERATURE)
    if point is None or frame.failing < 0:
        why = "no trusted discharge temperature" if point is None else "the machine stood at the failure"
        return cannot_tell(check, why)
    span = frame.spans[frame.failing]
    end_ns = min(span.end_ns, subject.record.failure_ns)
    step_s = point.interval_s if np.isfinite(point.interval_s) else 0.0
    part = point.between(max(span.start_ns, end_ns - round(max(30.0, 2.5 * step_s) * NS)), end_ns)
    if not len(part) and point.origin.recorded is Recorded.CHANGE:
        held = point.before(end_ns)
        part = point.between(int(point.usable.t[held.index]), end_ns) if held is not None else part
    if not len(part):
        return cannot_tell(check, "no discharge temperature just before the run that failed ended")
    limit = limits["heat.discharge_high"]
    value = float(np.median(part.v))
    near = value > limit * limits["heat.discharge_near"]
    named = bool(trip_lines(subject, "discharge_temperature"))
    outcome = Outcome.PRESENT if value > limit else Outcome.CANNOT_TELL if near or named else Outcome.ABSENT
    why_not = "too near the limit to be called normal" if near else "the trip's own text names it"
    began_ns = max(span.start_ns + _WARMING_S * NS, end_ns - _JUMP_LOOK_S * NS)
    if _jumped(subject, point, Span(min(began_ns, end_ns), end_ns)):
        outcome, why_not = Outcome.CANNOT_TELL, "it jumped within one sample: no gas line heats so fast"
    first, last = int(part.t[0]), int(part.t[-1])
    return make_finding(
        subject,
        check,
        outcome,
        f"Discharge temperature {value:.1f} degC just before the run that failed ended (limit {limit:.0f} degC).",
        Value(value, float(part.v.min()), float(part.v.max()), "degC", "heat.discharge_high", above=True),
        seen=Seen((first, last), cite(point, first, last), step_s, len(part)),
        why_not=why_not,
    )


@detector("heat.injection_without_effect", running)
def injection_without_effect(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether liquid injection was called for minutes and discharge temperature did not fall."""
    limits, record = subject.limits, subject.record
    point, switch = frame.points.get(Role.DISCHARGE_TEMPERATURE), record.switch(Role.INJECTION_SOLENOID)
    if point is None or switch is None:
        return cannot_tell(check, "no trusted discharge temperature")
    within = Span(record.window.start_ns, min(record.window.end_ns, record.failure_ns))
    calls = [
        part
        for on in switch.on_spans[-_MOST_CALLS:]
        if (clip := on.overlap(within)) is not None
        for run in frame.spans
        if (part := clip.overlap(run)) is not None and part.seconds >= limits["heat.injection_on"]
    ]
    falls = [(call, *_fall(point, call)) for call in calls]
    falls = [(call, fall, n) for call, fall, n in falls if n > 0]
    if not falls:
        return cannot_tell(check, "injection was not called for long enough while the machine ran")
    call, value, count = falls[-1]
    limit = limits["heat.injection_fall"]
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if value < limit else Outcome.ABSENT,
        f"In the last of {len(falls)} calls for injection ({call.seconds:.0f} s) discharge temperature "
        f"{'fell' if value >= 0 else 'rose'} by {abs(value):.1f} K (a fall of {limit:g} K shows it at work).",
        Value(value, unit="K", limit_name="heat.injection_fall", above=False),
        Seen(
            (call.start_ns, call.end_ns),
            cite(point, call.start_ns, call.end_ns) + cite(switch, call.start_ns, call.end_ns),
            max(point.interval_s, switch.interval_s),
            count,
        ),
    )


_MOST_CALLS = 200


def _fall(point: Samples, call: Span) -> tuple[float, int]:
    """Fall of a temperature from the first third of a call to its end; and how many readings it rests on."""
    part = point.between(call.start_ns, call.end_ns)
    if len(part) < _FEWEST:
        return 0.0, 0
    third = max(1, len(part) // 3)
    return float(np.max(part.v[:third]) - np.median(part.v[-third:])), len(part)


_FEWEST = 3


@detector("heat.oil_hot", running)
def oil_hot(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether oil temperature stayed above the limit, or above the machine's own usual at like duty."""
    reading = frame.of(Role.OIL_TEMPERATURE)
    if reading is None:
        return cannot_tell(check, "no trusted oil temperature")
    level = ThresholdTest(
        check,
        reading,
        "degC",
        "oil temperature",
        check,
        above=True,
        lasting="heat.oil_lasting",
        groups=((Role.OIL_TEMPERATURE,),),
    )
    own = replace(level, unit="K", limit_name="heat.oil_rise")
    expected = expect(subject, frame, own, duty_of(subject, frame, lift=True))
    return own_then_level(
        against_own(subject, frame, own, expected), against_limit(subject, frame, level), level_excludes=True
    )
