"""Sensors against sums: the start counter against the starts, power against volts and amps."""

from __future__ import annotations

import numpy as np

from forensics.machine.citations import rows_of, rows_of_each
from forensics.machine.duty.baseline import frame_of
from forensics.machine.phases import AMPS, VOLTS
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing

_FEW = 5


@detector("sensors.counter_mismatch", nothing)
def counter_mismatch(subject: Subject, check: str) -> Finding:
    """Decide whether the start counter moved by other than the starts that the record shows.

    More counts than starts: starts between samples, or chatter. Fewer: the record repeats or the counter stands.
    """
    counter = subject.record.point(Role.START_COUNT)
    if counter is None or len(counter.usable) < 2:  # noqa: PLR2004 - a difference needs two
        return cannot_tell(check, "no start_count with two readings", lacking=[Role.START_COUNT])
    good = counter.usable
    first, last = int(good.t[0]), int(good.t[-1])
    moved = float(good.v[-1] - good.v[0])
    room = round(2 * good.interval_s * NS) if np.isfinite(good.interval_s) else 0
    begins = [run.begin for run in subject.runs if run.begin is not None]
    sure = sum(b.earliest_ns > first + room and b.latest_ns < last - room for b in begins)
    most = sum(b.latest_ns > first - room and b.earliest_ns < last + room for b in begins)
    apart = max(moved - most, sure - moved, 0.0)
    text = f"the counter moved by {moved:.0f}, the record shows {sure} to {most} starts"
    span = (first, last)
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if apart > subject.limits["sensors.counter_apart"] else Outcome.ABSENT,
        text,
        Value.exact(apart, "1", "sensors.counter_apart", above=True),
        Seen(span, rows_of(good, *span), good.interval_s, max(most, 2)),
    )


@detector("sensors.power_mismatch", nothing)
def power_mismatch(subject: Subject, check: str) -> Finding:
    """Decide whether power, voltage and current of the motor can't belong together: power factor above 1 or too low."""
    frame = frame_of(subject)
    power, amps = frame.of(Role.MOTOR_POWER), frame.of(Role.MOTOR_AMPS)
    phases = [frame.of(role) for role in AMPS]
    if all(p is not None for p in phases):
        amps = np.mean(np.array(phases, dtype=np.float64), axis=0)
    volts = [v for role in VOLTS if (v := frame.of(role)) is not None]
    declared = subject.machine.supply_volts
    if power is None or amps is None or (not volts and declared is None):
        return cannot_tell(check, "needs power, current and voltage (or the nameplate's) of the motor")
    level = np.mean(np.array(volts), axis=0) if volts else np.full(len(power), float(declared or 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = 1000 * power / (np.sqrt(3) * level * amps)
    rated = subject.machine.rated_load_amps or float(np.nanmax(amps, initial=1.0))
    known = frame.settled & frame.judged & np.isfinite(factor) & (amps > 0.4 * rated)
    if known.sum() < _FEW:
        return cannot_tell(check, "no settled running with power and current above no load in the window")
    value = float(np.median(factor[known]))
    low_limit, high_limit = subject.limits["sensors.power_factor_least"], subject.limits["sensors.power_factor_most"]
    high = value > (low_limit + high_limit) / 2
    name = "sensors.power_factor_most" if high else "sensors.power_factor_least"
    wrong = value > high_limit or value < low_limit
    span = (int(frame.t[known][0]), int(frame.t[known][-1]))
    points = [p for role in (Role.MOTOR_POWER, Role.MOTOR_AMPS, *AMPS) if (p := frame.point(role)) is not None]
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if wrong else Outcome.ABSENT,
        f"power over √3 · voltage · current is {value:.2f} (median)",
        Value(
            value,
            float(np.percentile(factor[known], 5)),
            float(np.percentile(factor[known], 95)),
            "1",
            name,
            above=high,
        ),
        Seen(span, rows_of_each(points, *span), max(p.interval_s for p in points), int(known.sum())),
    )
