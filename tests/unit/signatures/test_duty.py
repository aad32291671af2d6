"""The machine's own usual where the run that failed went at a duty of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.subject import Subject
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


@pytest.mark.parametrize(("rise_k", "outcome"), [(20.0, Outcome.PRESENT), (0.0, Outcome.CANNOT_TELL)])
def test_a_duty_of_the_last_hours_alone_is_held_against_them(rise_k: float, outcome: Outcome) -> None:
    """A rise since is seen; that there was none is not said, for a fault may have grown in those hours too."""
    changes = {
        Role.SLIDE_POSITION: harder,
        Role.DISCHARGE_TEMPERATURE: lambda t, v: v + rise_k * np.clip((t - LAST_S + 1800.0) / 900.0, 0.0, 1.0),
    }
    found = only(detectors_of("heat")[CHECK](short_last_run(changes)))
    assert found.outcome is outcome
    if outcome is Outcome.CANNOT_TELL:
        assert "a fault may have grown" in found.why_not
    else:
        assert found.value == pytest.approx(rise_k, abs=2.0)


def test_a_duty_seen_in_the_older_running_still_shows_absence() -> None:
    assert only(detectors_of("heat")[CHECK](made())).outcome is Outcome.ABSENT
