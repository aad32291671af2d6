"""Does the oil get where it should: feed difference, filter, level.

What the oil was before and just after a start is in :mod:`forensics.signatures.oil_start`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.duty.baseline import HIGH_SIDE, AlignedSamples, Floats, cite, duty_of
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_lines
from forensics.model.findings import Finding
from forensics.model.points import NS, OFF, ON
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.like_duty import against_own, expect
from forensics.signatures.core.limits_and_baseline import (
    ThresholdTest,
    against_limit,
    own_then_level,
    running,
)
from forensics.signatures.oil.filter import difference_over
from forensics.signatures.oil.start import oil_difference

_LEAST_LIFT_KPA = 50.0


@detector("oil.difference_low_at_failure", running)
def difference_low_at_failure(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether feed less suction lay below the limit just before the run that failed ended."""
    oil, limits = oil_difference(subject), subject.limits
    if oil is None:
        return cannot_tell(check, "no trusted oil difference")
    if frame.failing < 0:
        return cannot_tell(check, "the machine stood at the failure")
    span = frame.spans[frame.failing]
    end_ns = min(span.end_ns, subject.record.failure_ns)
    begin_ns = span.start_ns + round(limits["oil.proof_time"] / 2.0 * NS)
    last_ns = max(begin_ns, end_ns - round(max(30.0, 2.5 * oil.interval_s) * NS))
    inside = (oil.t >= last_ns) & (oil.t < end_ns)
    if not inside.any() and oil.holds and bool(np.any((oil.t >= begin_ns) & (oil.t < end_ns))):
        # a change log: the last row in the run still stands
        inside = oil.t == oil.t[oil.t < end_ns][-1]
    if not inside.any():
        return cannot_tell(check, "no reading of the oil difference in the end of the run that failed")
    limit = limits["oil.difference_low"]
    values = oil.v[inside]
    value = float(np.median(values))
    near = value <= limit * limits["oil.difference_near"]
    slow = oil.interval_s > limits["oil.sag_slowest"]
    named = bool(trip_lines(subject, "oil_pressure"))
    outcome = Outcome.PRESENT if value < limit else Outcome.CANNOT_TELL if near or slow or named else Outcome.ABSENT
    why_not = "a fall of seconds fits between the samples" if slow else "the trip's own text names it"
    why_not = "too near the limit to be called healthy or low" if near else why_not
    first, last = int(oil.t[inside][0]), int(oil.t[inside][-1])
    return make_finding(
        subject,
        check,
        outcome,
        f"Oil difference {value:.0f} kPa in the last {max(1.0, (end_ns - first) / NS):.0f} s before the "
        f"run that failed ended (limit {limit:.0f} kPa).",
        Value(value, float(values.min()), float(values.max()), "kPa", "oil.difference_low", above=False),
        seen=Seen((first, last), oil.cites(first, last), oil.interval_s, int(inside.sum())),
        why_not=why_not,
    )


@detector("oil.sag_while_running", running)
def sag_while_running(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the oil difference stayed well below the machine's own usual at like lift."""
    difference = difference_over(frame)
    if difference is None:
        return cannot_tell(check, "no trusted oil difference")
    pumped = subject.machine.oil_pump is True
    # fed by pressure difference, the oil's is a share of the lift; a pump's stands on its own
    reading = difference if pumped else difference / _lift_kpa(frame)
    groups: tuple[tuple[Role, ...], ...] = (
        (Role.OIL_PRESSURE_DIFFERENCE, Role.OIL_PRESSURE),
        (Role.SUCTION_PRESSURE,),
    )
    look = ThresholdTest(
        check,
        reading,
        "1",
        "oil difference" if pumped else "oil difference over lift",
        "oil.sag",
        above=False,
        lasting="oil.sag_lasting",
        groups=groups,
        ratio=True,
    )
    expected = expect(subject, frame, look, duty_of(subject, frame, lift=True))
    early = frame.in_failing_run & (frame.since_s > subject.limits["oil.proof_time"])
    return against_own(subject, frame, look, expected, frame.settled | early)


def _lift_kpa(frame: AlignedSamples) -> Floats:
    """Pressure of the high side less suction over a frame, kPa, shape (n,); 1 where it is not logged or not there."""
    high, low = frame.of(*HIGH_SIDE), frame.of(Role.SUCTION_PRESSURE)
    if high is None or low is None:
        return np.ones(len(frame.t))
    return np.asarray(np.where(high - low > _LEAST_LIFT_KPA, high - low, np.nan))


@detector("oil.level_low", running)
def level_low(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the oil level stayed low while running, or fell well below the machine's own usual."""
    reading = frame.of(Role.OIL_LEVEL)
    if reading is None:
        return _level_switch(subject, frame, check)
    groups: tuple[tuple[Role, ...], ...] = ((Role.OIL_LEVEL,),)
    level = ThresholdTest(
        check, reading, "%", "oil level", check, above=False, lasting="oil.level_lasting", groups=groups, sudden=True
    )
    own = replace(level, limit_name="oil.level_fall")
    usable = frame.settled | frame.in_failing_run
    return own_then_level(
        against_own(subject, frame, own, expect(subject, frame, own, ()), usable),
        against_limit(subject, frame, level, usable),
        level_excludes=True,
    )


def _level_switch(subject: Subject, frame: AlignedSamples, check: str) -> Finding:
    """A level switch: on is taken as oil seen, which is said."""
    switch = subject.record.switch(Role.OIL_LEVEL)
    if switch is None or frame.failing < 0:
        return cannot_tell(check, "no level while the run that failed ran")
    span = frame.spans[frame.failing]
    end_ns = min(span.end_ns, subject.record.failure_ns)
    rows = (switch.t >= span.start_ns) & (switch.t < end_ns)
    states = set(switch.state[rows].tolist()) | {switch.at(end_ns - 1)}
    if not states & {ON, OFF}:
        return cannot_tell(check, "the level switch is not known in the run that failed")
    low = OFF in states
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if low else Outcome.ABSENT,
        f"Oil level switch {'dropped' if low else 'stayed on'} in the run that failed (on is taken as oil seen).",
        seen=Seen(
            (span.start_ns, end_ns),
            cite(switch, span.start_ns, end_ns),
            switch.interval_s,
            max(1, int((switch.state[rows] == OFF).sum())) if low else max(1, int(rows.sum())),
        ),
    )
