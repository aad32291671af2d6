"""The machine's own usual where the run that failed went at a duty of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.catalogue import detectors_of

from .running_machine import LAST_S, REST_S, RUN_S, Change, Floats, late, made, only

CHECK = "heat.discharge_temperature_climbs"


def harder(t: Floats, v: Floats) -> Floats:
    """Slide that stood high through the last two runs and never before."""
    return np.where(late(t, 2 * RUN_S + REST_S) & (v > 0), 95.0, v)


def short_last_run(changes: dict[Role, Change]) -> Subject:
    """Nothing of the last run is old enough to say what is usual."""
    subject = made(changes)
    return replace(subject, limits=subject.limits.replaced({"duty.baseline_gap": (RUN_S, "test")}))


def test_a_rise_at_a_duty_of_the_last_hours_alone_is_seen_with_a_wider_interval() -> None:
    rise: Change = lambda t, v: v + 20.0 * np.clip((t - LAST_S + 1800.0) / 900.0, 0.0, 1.0)  # noqa: E731
    other = only(
        detectors_of("heat")[CHECK](short_last_run({Role.SLIDE_POSITION: harder, Role.DISCHARGE_TEMPERATURE: rise}))
    )
    like = only(detectors_of("heat")[CHECK](made({Role.DISCHARGE_TEMPERATURE: rise})))
    assert other.outcome is like.outcome is Outcome.PRESENT
    for found in (other, like):
        assert found.low is not None
        assert found.high is not None
        assert found.low < 20.0 < found.high
    assert width(other) > width(like)


def test_no_rise_at_a_duty_of_the_last_hours_alone_is_none() -> None:
    found = only(detectors_of("heat")[CHECK](short_last_run({Role.SLIDE_POSITION: harder})))
    assert found.outcome is not Outcome.PRESENT
    assert found.detectable is None or found.detectable > width(found)


def width(found: Finding) -> float:
    assert found.low is not None
    assert found.high is not None
    return found.high - found.low


def test_a_duty_seen_in_the_older_running_still_shows_absence() -> None:
    assert only(detectors_of("heat")[CHECK](made())).outcome is Outcome.ABSENT
