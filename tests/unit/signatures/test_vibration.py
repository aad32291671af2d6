"""Vibration against the machine's own usual and against the zones of VDI 3836 (secondary sources). Made machines."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.model.vocabulary import Outcome, Role
from forensics.rules import read_limits
from forensics.signatures.core.catalogue import detectors_of

from .running_machine import Change, Floats, late, made, only, since_start

DETECTORS = detectors_of("vibration")

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL


def shaken(level: float, rise: float = 0.0, last_s: float = 1200.0) -> Change:
    def course(t: Floats, _: Floats) -> Floats:
        running = np.where(since_start(t) >= 0.0, level, 0.1)
        return running + rise * late(t, last_s) + 0.05 * np.sin(t)

    return course


@pytest.mark.parametrize(
    ("level", "rise", "outcome"),
    [
        (2.0, 3.0, PRESENT),
        (2.0, 6.0, PRESENT),
        (2.0, 0.0, ABSENT),
        (8.0, 0.0, ABSENT),  # screw compressors run there soundly
        (16.0, 0.0, CANNOT_TELL),  # so it shook all along: no change in this record, and no sound machine either
    ],
)
def test_level_and_change(level: float, rise: float, outcome: Outcome) -> None:
    changes = {Role.VIBRATION_VELOCITY: shaken(level, rise)}
    assert only(DETECTORS["vibration.high_at_equal_duty"](made(changes))).outcome is outcome


def test_a_knock_is_no_level() -> None:
    changes = {Role.VIBRATION_VELOCITY: shaken(2.0, 9.0, last_s=15.0)}
    assert only(DETECTORS["vibration.high_at_equal_duty"](made(changes))).outcome is not PRESENT


def test_not_logged_or_too_slow() -> None:
    assert only(DETECTORS["vibration.high_at_equal_duty"](made())).outcome is CANNOT_TELL
    slow = made({Role.VIBRATION_VELOCITY: shaken(2.0, 3.0)}, interval_s=900.0)
    assert only(DETECTORS["vibration.high_at_equal_duty"](slow)).outcome is CANNOT_TELL


def test_limits_are_those_of_the_standard() -> None:
    """VDI 3836, group 3 on resilient support, mm/s RMS: zones end at 10 and 15 (secondary sources)."""
    limits = read_limits()
    assert limits["vibration.level_max"] == 15.0
    assert limits["vibration.rise_max"] == pytest.approx(10.0 / 4)
