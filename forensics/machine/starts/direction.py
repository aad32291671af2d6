"""Which way a start turned, by what the pressures did after it."""

from __future__ import annotations

from forensics.machine.rotation import at_start
from forensics.machine.states import Run
from forensics.machine.stops.rotor_pressure import Difference
from forensics.machine.subject import Subject
from forensics.model.points import NS, middle
from forensics.model.vocabulary import Outcome


def direction_of(subject: Subject, run: Run, rotors: Difference | None) -> Outcome:
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
