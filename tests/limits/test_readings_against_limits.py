"""Each check that holds a reading against a limit, or against the machine's own usual: the reading itself at the limit.

The looks are those that the detectors themselves make on a sound machine; only the reading is replaced by one of zero
width, 1 % this side of the limit, on it, and 1 % that side, and by one that swings about it.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from forensics.machine.baseline import Baseline
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.limits_and_baseline import ThresholdTest, against_limit, against_own

from .looks import looks, sound

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL


def sides(limit: float, *, above: bool) -> tuple[float, float]:
    """One per cent beyond a limit and one per cent short of it."""
    step = 0.01 * abs(limit)
    return (limit + step, limit - step) if above else (limit - step, limit + step)


def against(look: ThresholdTest, reading: np.ndarray) -> Outcome:
    subject, frame = sound()
    return against_limit(subject, frame, dataclasses.replace(look, reading=reading)).outcome


def swinging(over: float, under: float) -> np.ndarray:
    """A reading that is on one side at one sample and on the other at the next."""
    _, frame = sound()
    return np.where(np.arange(len(frame.t)) % 2 == 0, over, under)


@pytest.mark.parametrize(("check", "name"), sorted(looks()["limit"]))
def test_a_reading_at_its_limit(check: str, name: str) -> None:
    look = looks()["limit"][check, name]
    subject, frame = sound()
    limit = subject.limits[name]
    beyond, short = sides(limit, above=look.above)

    def steady(level: float) -> np.ndarray:
        return np.full(len(frame.t), level)

    assert against(look, steady(beyond)) is PRESENT
    assert against(look, steady(limit)) is ABSENT, "on the limit is within it"
    assert against(look, steady(short)) is ABSENT
    assert against(look, swinging(beyond, short)) is CANNOT_TELL


def from_own(look: ThresholdTest, deviation: np.ndarray, sigma: float = 0.0) -> Outcome:
    """What a look answers where the reading deviates from a usual of zero by this."""
    subject, frame = sound()
    none = np.zeros(len(frame.t), bool)
    usual = Baseline(deviation, np.zeros(len(frame.t)), sigma, none, recent=None, why_not="")
    return against_own(subject, frame, dataclasses.replace(look, reading=deviation), usual).outcome


@pytest.mark.parametrize(("check", "name"), sorted(looks()["own"]))
def test_a_deviation_from_the_own_usual_at_its_limit(check: str, name: str) -> None:
    look = looks()["own"][check, name]
    subject, frame = sound()
    given = subject.limits[name]
    size = abs(float(np.log(given))) if look.ratio else abs(given)
    near = subject.limits["duty.near_share"]
    sign = 1.0 if look.above else -1.0

    def answer(share: float) -> Outcome:
        return from_own(look, np.full(len(frame.t), sign * share * size))

    assert answer(1.01) is PRESENT
    assert answer(1.0) is CANNOT_TELL, "not beyond, and too near to be called absent"
    assert answer(0.99) is CANNOT_TELL
    assert answer(1.01 * near) is CANNOT_TELL
    assert answer(0.99 * near) is ABSENT
    assert from_own(look, sign * size * swinging(1.01, 0.99)) is CANNOT_TELL


@pytest.mark.parametrize(("check", "name"), sorted(looks()["own"]))
def test_a_limit_below_the_spread_of_the_own_usual_is_widened_to_it(check: str, name: str) -> None:
    look = looks()["own"][check, name]
    subject, frame = sound()
    given = subject.limits[name]
    size = abs(float(np.log(given))) if look.ratio else abs(given)
    wide = 2.0 * size
    sigma = wide / subject.limits["duty.spread_factor"]
    sign = 1.0 if look.above else -1.0
    assert from_own(look, np.full(len(frame.t), sign * 1.01 * wide), sigma) is PRESENT
    assert from_own(look, np.full(len(frame.t), sign * 0.99 * wide), sigma) is not PRESENT


def test_the_looks_of_most_families_are_held_here() -> None:
    kinds = looks()
    assert len(kinds["limit"]) >= 5
    assert len(kinds["own"]) >= 10
