"""Laws of stands: a command without response is told at any sampling, a slide that answers never is."""

from __future__ import annotations

import sys
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
from slide_machine import EPOCH, Fault, Fleet, course_of, fleet

from forensics.machine.slide.stand import Stand, last_stand
from forensics.model.points import NS

SAMPLINGS = (1.0, 5.0, 10.0, 15.0)
LEAST = 0.2
WORTH = 33.0  # % of travel: twenty seconds of command, as slide.block_acting_s asks for
FROM_S = 9000.0


@lru_cache(maxsize=6)
def made(fault: Fault, seed: int = 61, drift: float = 0.0) -> Fleet:
    return fleet(10, 6.0, seed, drift, fault)


def stands(machines: Fleet, sign: int, every_s: float) -> list[Stand | None]:
    return [last_stand(course_of(machines, i, every_s), sign, LEAST) for i in range(len(machines.slide))]


def told(stand: Stand | None) -> bool:
    return stand is not None and stand.worth >= WORTH and stand.share(held_against=False)[1] < LEAST


@pytest.mark.parametrize("every_s", SAMPLINGS)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_slide_that_answers_never_stands(sign: int, every_s: float) -> None:
    assert not any(told(stand) for stand in stands(made(Fault()), sign, every_s))


@pytest.mark.parametrize("every_s", SAMPLINGS)
@pytest.mark.parametrize(
    ("sign", "fault"), [(1, Fault(load=0.0, from_s=FROM_S)), (-1, Fault(unload=0.0, from_s=FROM_S))]
)
def test_a_command_without_response_stands_since_it_failed(sign: int, fault: Fault, every_s: float) -> None:
    """Where the slide came to rest at the end that the command leads to, nothing shows that it does not answer."""
    found = [stand for stand in stands(made(fault), sign, every_s) if told(stand)]
    assert found
    spans = np.array([stand.span_ns for stand in found if stand is not None]) / NS - EPOCH / NS
    assert np.all(spans[:, 1] > FROM_S)
    # a spell before it whose movement ended at the end of travel was not seen answered either
    assert np.median(spans[:, 0]) > FROM_S - 900.0


@pytest.mark.parametrize("every_s", SAMPLINGS)
def test_a_leak_that_is_held_against_is_no_stand_once_minutes_without_a_command_count(every_s: float) -> None:
    """The windows without a command show what the leak takes back; with it taken off, the command has its rate."""
    for stand in stands(made(Fault(drift=-6.0, from_s=FROM_S)), 1, every_s):
        assert stand is None or stand.share(held_against=True)[1] >= LEAST or not told(stand)


@pytest.mark.parametrize("every_s", [5.0, 15.0])
def test_polling_in_step_with_the_controller_makes_no_stand(every_s: float) -> None:
    machines = fleet(10, 6.0, 67, scan_s=every_s)
    for sign in (1, -1):
        assert not any(told(stand) for stand in stands(machines, sign, every_s))


def test_what_a_command_was_worth_at_the_least_grows_with_the_samples() -> None:
    machines = made(Fault(load=0.0, from_s=FROM_S))
    fine, coarse = (stands(machines, 1, every_s) for every_s in (1.0, 10.0))
    pairs = [(a.worth, b.worth) for a, b in zip(fine, coarse, strict=True) if a is not None and b is not None]
    assert pairs
    assert np.median([a for a, _ in pairs]) > np.median([b for _, b in pairs])
