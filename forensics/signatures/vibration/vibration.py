"""Vibration of the casing: did it leave the machine's own usual, or the zone in which machines of its class run on."""

from __future__ import annotations

from dataclasses import replace

from forensics.machine.duty.baseline import AlignedSamples, duty_of
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import cannot_tell
from forensics.signatures.core.like_duty import against_own, expect
from forensics.signatures.core.limits_and_baseline import (
    ThresholdTest,
    against_limit,
    own_then_level,
    running,
)


@detector("vibration.high_at_equal_duty", running)
def high_at_equal_duty(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the velocity of vibration rose above the machine's own usual at like duty, or into the zone above.

    A level that was there all along is no change: it is left open, for mounting and sensor place decide it as well.

    Notes
    -----
    Level: VDI 3836, known from secondary sources only; ISO 20816-3 leaves rotary positive-displacement machines out.
    """
    reading = frame.of(Role.VIBRATION_VELOCITY)
    if reading is None:
        return cannot_tell(check, "no trusted vibration velocity")
    level = ThresholdTest(
        check,
        reading,
        "mm/s",
        "vibration velocity",
        "vibration.level_max",
        above=True,
        lasting="vibration.lasting",
        groups=((Role.VIBRATION_VELOCITY,),),
    )
    own = replace(level, limit_name="vibration.rise_max")
    expected = expect(subject, frame, own, duty_of(subject, frame, lift=True))
    judged = against_own(subject, frame, own, expected, frame.settled | frame.in_failing_run)
    return own_then_level(judged, against_limit(subject, frame, level), level_excludes=False)
