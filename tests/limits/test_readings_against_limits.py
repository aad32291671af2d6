"""Each check that holds a reading against a limit, or against the machine's own usual: the reading itself at the limit.

The looks are those that the detectors themselves make on a sound machine; only the reading is replaced by one of zero
width, 1 % this side of the limit, on it, and 1 % that side, and by one that swings about it.
"""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest

from forensics.machine.duty.baseline import cut_blocks
from forensics.machine.duty.expected import Expected
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.like_duty import against_own
from forensics.signatures.core.limits_and_baseline import ThresholdTest, against_limit, level_error
from forensics.stats.robust_fit import Estimate

from .looks import looks, sound

if TYPE_CHECKING:
    from forensics.stats.surface import Surface

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
    assert against(look, steady(limit)) is CANNOT_TELL, "on the limit is within it, but nearer than sensors err"
    clear = level_error(subject, look, limit) * (-1.0 if look.above else 1.0)
    assert against(look, steady(limit + 0.99 * clear)) is CANNOT_TELL
    assert against(look, steady(limit + 1.01 * clear)) is ABSENT
    assert against(look, swinging(beyond, short)) is CANNOT_TELL


class Exact(Expected):
    """An expectation without scatter: a deviation is its own interval, or one of a given half-width."""

    half = 0.0

    def over(self, chosen: np.ndarray, *, two_sided: float = 0.05) -> Estimate | None:
        value = float(np.mean(self.deviation[chosen]))
        return Estimate(value, value - self.half, value + self.half, self.half / 2.0, 100.0)


def from_own(look: ThresholdTest, deviation: np.ndarray, half: float = 0.0) -> Outcome:
    """What a look answers where the reading deviates from an expectation of one by this."""
    subject, frame = sound()
    blocks = cut_blocks(frame, frame.step_s)
    m = len(blocks.t)
    one, none = np.ones(m), np.zeros(m, dtype=bool)
    scatter = SimpleNamespace(noise=0.0, drift=0.0, drift_s=0.0)
    surface = cast("Surface", SimpleNamespace(dof=100.0, scatter=scatter))
    run, t_s = frame.run[blocks.first], (blocks.t - subject.record.failure_ns) / NS
    error = np.full(m, half / 2.0)
    reading = blocks.middle(1.0 + deviation)
    duties = np.empty((m, 0))
    made = {"expected": one, "error": error, "reference": none, "surface": surface, "why_not": ""}
    expected = Exact(blocks, reading, duties, t_s, run, relative=look.ratio, **made)
    object.__setattr__(expected, "half", half)
    return against_own(subject, frame, dataclasses.replace(look, reading=1.0 + deviation), expected).outcome


@pytest.mark.parametrize(("check", "name"), sorted(looks()["own"]))
def test_a_deviation_from_the_own_usual_at_its_limit(check: str, name: str) -> None:
    look = looks()["own"][check, name]
    subject, frame = sound()
    given = subject.limits[name]
    size = abs(given - 1.0) if look.ratio else abs(given)
    near = subject.limits["duty.near_share"]
    sign = 1.0 if look.above else -1.0

    def answer(share: float) -> Outcome:
        return from_own(look, np.full(len(frame.t), sign * share * size))

    assert answer(1.01) is PRESENT
    assert answer(1.0) is CANNOT_TELL, "not beyond, and too near to be called absent"
    assert answer(0.99) is CANNOT_TELL
    assert answer(1.01 * near) is CANNOT_TELL
    assert answer(0.99 * near) is ABSENT


@pytest.mark.parametrize(("check", "name"), sorted(looks()["own"]))
def test_an_interval_that_straddles_its_limit_is_open(check: str, name: str) -> None:
    look = looks()["own"][check, name]
    subject, frame = sound()
    given = subject.limits[name]
    size = abs(given - 1.0) if look.ratio else abs(given)
    sign = 1.0 if look.above else -1.0

    def answer(share: float, half: float) -> Outcome:
        return from_own(look, np.full(len(frame.t), sign * share * size), half * size)

    assert answer(1.2, 0.19) is PRESENT
    assert answer(1.2, 0.21) is CANNOT_TELL
    assert answer(0.5, 0.49) is ABSENT
    assert answer(0.5, 0.51) is CANNOT_TELL
    assert answer(-1.0, 1.01) is CANNOT_TELL, "known to no better than the limit itself"


def test_the_looks_of_most_families_are_held_here() -> None:
    kinds = looks()
    assert len(kinds["limit"]) >= 5
    assert len(kinds["own"]) >= 10
