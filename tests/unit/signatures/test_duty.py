"""The machine's own usual where the run that failed went at a duty of its own."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.signatures import heat
from forensics.vocabulary import Outcome, Role

from .running_machine import LAST_S, RUN_S, Floats, late, made, only

CHECK = "heat.discharge_temperature_climbs"


def harder(t: Floats, v: Floats) -> Floats:
    """Slide that stood high through the whole last run and never before."""
    return np.where(late(t, RUN_S) & (v > 0), 95.0, v)


@pytest.mark.parametrize(("rise_k", "outcome"), [(20.0, Outcome.PRESENT), (0.0, Outcome.CANNOT_TELL)])
def test_a_duty_of_the_last_run_alone_is_held_against_its_first_hours(rise_k: float, outcome: Outcome) -> None:
    """A rise within it is seen; that there was none is not said, for a fault may have grown in those hours too."""
    changes = {
        Role.SLIDE_POSITION: harder,
        Role.DISCHARGE_TEMPERATURE: lambda t, v: v + rise_k * np.clip((t - LAST_S + 1800.0) / 900.0, 0.0, 1.0),
    }
    found = only(heat.DETECTORS[CHECK](made(changes)))
    assert found.outcome is outcome
    if outcome is Outcome.CANNOT_TELL:
        assert "a fault may have grown" in found.why_not
    else:
        assert found.value == pytest.approx(rise_k, abs=2.0)


def test_a_duty_seen_in_the_older_running_still_shows_absence() -> None:
    assert only(heat.DETECTORS[CHECK](made())).outcome is Outcome.ABSENT
