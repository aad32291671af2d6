"""Outcomes of refrigerant, heat and oil: thinning never turns one into its opposite; a sound machine shows nothing.

The machines are invented. "Never" is none of a hundred seeds: the upper 95 % bound of none in a hundred is 3 %.
"""

from __future__ import annotations

from collections import Counter

import pytest

from forensics.model.vocabulary import Outcome
from tests.unit.signatures.running_machine import made, only, wanders
from tests.unit.signatures.test_oil_refrigerant_heat import DETECTORS, NOT_ASKED, PRESENT, look

OPPOSITE = {Outcome.PRESENT: Outcome.ABSENT, Outcome.ABSENT: Outcome.PRESENT}
# what is looked for in single samples or in the minutes of a start, by other methods than expectations at duty
BY_EVENTS = {"refrigerant.liquid_slug", "refrigerant.hunting", "refrigerant.recirculation"}


@pytest.mark.slow
@pytest.mark.parametrize("thin", [2, 5, 10, 30])
def test_thinning_never_turns_an_outcome_round(thin: int) -> None:
    for check, changes, machine in PRESENT:
        dense = look(check, changes=changes, **{"interval_s": 10.0, **machine})
        thinned = look(check, changes=changes, **{**machine, "interval_s": 10.0 * thin})
        assert thinned.outcome is not OPPOSITE.get(dense.outcome), check
    for check in sorted(set(DETECTORS) - NOT_ASKED - BY_EVENTS):
        assert look(check, interval_s=10.0 * thin).outcome is not Outcome.PRESENT, check


@pytest.mark.slow
@pytest.mark.parametrize("interval_s", [10.0, 60.0])
def test_a_sound_machine_that_wanders_shows_nothing(interval_s: float) -> None:
    shown: Counter[str] = Counter()
    told: Counter[Outcome] = Counter()
    for seed in range(100):
        subject = made(wanders(seed), interval_s=interval_s, seed=seed + 500)
        for check in sorted(set(DETECTORS) - NOT_ASKED - BY_EVENTS):
            found = only(DETECTORS[check](subject))
            told[found.outcome] += 1
            if found.outcome is Outcome.PRESENT:
                shown[check] += 1
    print(f"\nsamples every {interval_s:g} s: {dict(told)}, present {dict(shown)}")
    assert not shown


def test_a_few_sound_machines_that_wander_show_nothing() -> None:
    for seed in range(3):
        subject = made(wanders(seed), seed=seed + 900)
        shown = [c for c in DETECTORS if c not in BY_EVENTS and only(DETECTORS[c](subject)).outcome is Outcome.PRESENT]
        assert shown == []
