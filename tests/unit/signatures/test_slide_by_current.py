"""The slide by the current where no position is logged: lift that moves, lift that is not logged, a drift."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.record import Record
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.catalogue import detectors_of
from signatures.machine import RATED, Cycle, Drawn, draw, subject_of

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL
HIGH, SUCTION = 0.02, 0.04  # % of rated current a kPa, at 100 % of rated


def breathing(record: Record, *, amps: bool = True) -> Record:
    """Pressures that swing by themselves while the current follows them and the slide stands still; no slide logged."""
    t = record.samples[Role.CONDENSER_PRESSURE][0].t
    seconds = (t - t[0]) / NS
    on = record.samples[Role.MOTOR_AMPS][0].v > 0.05 * RATED
    high = 60.0 * np.sin(2 * np.pi * seconds / 1700.0) * on
    low = 25.0 * np.sin(2 * np.pi * seconds / 1100.0 + 1.0) * on
    moved = {
        Role.CONDENSER_PRESSURE: high,
        Role.DISCHARGE_PRESSURE: high,
        Role.SUCTION_PRESSURE: low,
    }
    samples = dict(record.samples)
    for role, by in moved.items():
        (point,) = samples[role]
        samples[role] = (replace(point, v=point.v + by),)
    if amps:
        (point,) = samples[Role.MOTOR_AMPS]
        samples[Role.MOTOR_AMPS] = (replace(point, v=point.v * (1 + HIGH * high / 100 + SUCTION * low / 100)),)
    samples.pop(Role.SLIDE_POSITION, None)
    return replace(record, samples=samples)


def long_holds(**changes: object) -> Record:
    drawn = Drawn([Cycle(900.0, 14400.0), Cycle(15300.0, 28800.0)], 29400.0, noise=0.0004, **changes)  # type: ignore[arg-type]
    return draw(drawn)


def outcome(subject: Subject, check: str) -> Outcome:
    (answer,) = detectors_of("slide")[check](subject)
    return answer.outcome


@pytest.mark.parametrize("swing", [True, False])
def test_lift_that_moves_is_no_drift(swing: bool) -> None:
    record = breathing(long_holds()) if swing else breathing(long_holds(), amps=False)
    for check in ("slide.drifts_to_load", "slide.drifts_to_unload"):
        assert outcome(subject_of(record), check) is not PRESENT


def drifting() -> Record:
    """Ten runs in which the slide has room to drift through the whole of each."""
    cycles = [Cycle(900.0 + 1800 * i, 2100.0 + 1800 * i) for i in range(10)]
    return draw(Drawn(cycles, 19200.0, noise=0.0004, drift_per_min=3.0))


def test_a_drift_is_seen_in_the_current_though_lift_moves() -> None:
    subject = subject_of(breathing(drifting()))
    assert outcome(subject, "slide.drifts_to_load") is PRESENT
    assert outcome(subject, "slide.drifts_to_unload") is ABSENT


def test_a_current_whose_lift_is_not_logged_tells_of_no_drift() -> None:
    record = breathing(drifting())
    gone = (Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE)
    bare = replace(record, samples={r: p for r, p in record.samples.items() if r not in gone})
    assert outcome(subject_of(bare), "slide.drifts_to_load") is CANNOT_TELL
