"""Laws of the slide's estimates on machines that hold against a leak: coverage, width, recall, no false leak."""

from __future__ import annotations

import sys
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
from slide_machine import EPOCH, Fault, Fleet, course_of, fleet

from forensics.machine.slide.estimates import Gains
from forensics.machine.slide.gains import identify
from forensics.model.points import NS

SAMPLINGS = (1.0, 2.0, 5.0, 10.0, 15.0)
LIMIT = 1.0  # %/min: slide.drift_per_min


@lru_cache(maxsize=4)
def drifting(machines: int, seed: int) -> tuple[Fleet, tuple[float, ...]]:
    drift = np.random.default_rng(seed).uniform(-2.0, 2.0, machines)
    return fleet(machines, 6.0, seed, drift), tuple(drift)


def all_of(made: Fleet, every_s: float, noise: float = 0.2) -> list[Gains]:
    return [identify(course_of(made, i, every_s, noise=noise)) for i in range(len(made.slide))]


def bounds(found: list[Gains]) -> tuple[np.ndarray, np.ndarray]:
    low = np.array([-np.inf if g.drift is None else g.drift.end.low for g in found])
    high = np.array([np.inf if g.drift is None else g.drift.end.high for g in found])
    return low, high


@lru_cache(maxsize=2)
def bounds_every(every_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    made, drift = drifting(24, 3)
    return *bounds(all_of(made, every_s)), np.array(drift)


TOO_NARROW = pytest.mark.xfail(
    strict=True,
    reason="at 1 s the length of window with the narrowest interval is taken, half of them below 0.1 %/min: some leave "
    "the truth out, by up to 0.034 %/min on these machines",
)


@pytest.mark.parametrize("every_s", [pytest.param(1.0, marks=TOO_NARROW), 5.0])
def test_the_interval_holds_the_true_drift(every_s: float) -> None:
    low, high, drift = bounds_every(every_s)
    assert np.mean((low <= drift) & (drift <= high)) >= 0.85


@pytest.mark.parametrize("every_s", [1.0, 5.0])
def test_the_interval_misses_the_true_drift_by_little_against_the_limit(every_s: float) -> None:
    low, high, drift = bounds_every(every_s)
    near = LIMIT / 20.0
    assert np.mean((low - near <= drift) & (drift <= high + near)) >= 0.85
    assert np.median(high - low) / 2.0 <= 0.5


@pytest.mark.slow
@pytest.mark.parametrize("every_s", SAMPLINGS)
def test_coverage_and_width_over_four_hundred_machines(every_s: float, capsys: pytest.CaptureFixture[str]) -> None:
    held, width, open_, count = 0, [], 0, 0
    for seed in range(4):
        made, drift = drifting(100, 20 + seed)
        low, high = bounds(all_of(made, every_s))
        held += int(np.sum((low <= drift) & (drift <= high)))
        width.extend((high - low) / 2.0)
        open_ += int(np.sum((low <= LIMIT) & (high > LIMIT) | (high >= -LIMIT) & (low < -LIMIT)))
        count += len(drift)
    with capsys.disabled():
        print(
            f"\ndrift every {every_s:g} s: coverage {held / count:.3f} of {count}, half width {np.median(width):.3f} "
            f"%/min, interval over a limit {open_ / count:.2f}"
        )
    assert 0.90 <= held / count <= 1.0
    if every_s <= 2.0:
        assert np.median(width) <= 0.5


@pytest.mark.slow
def test_a_leak_of_two_is_seen_at_five_seconds_over_six_hours() -> None:
    low, high = bounds(all_of(fleet(100, 6.0, 31, np.where(np.arange(100) % 2 == 0, 2.0, -2.0)), 5.0))
    seen = np.where(np.arange(100) % 2 == 0, low > LIMIT, high < -LIMIT)
    assert seen.mean() >= 0.9


@pytest.mark.parametrize(
    ("machines", "hours", "samplings"),
    [
        (12, 4.0, (1.0, 5.0, 15.0)),
        pytest.param(100, 6.0, SAMPLINGS, marks=pytest.mark.slow),
    ],
)
def test_a_machine_with_nothing_wrong_is_never_called_leaking(
    machines: int, hours: float, samplings: tuple[float, ...]
) -> None:
    made = fleet(machines, hours, 41)
    for every_s in samplings:
        low, high = bounds(all_of(made, every_s))
        assert not np.any((low > LIMIT) | (high < -LIMIT)), every_s


@pytest.mark.parametrize("scans", [1, 2])
@pytest.mark.parametrize("noise", [0.1, 0.3])
def test_polling_in_step_with_the_controller_calls_nothing(scans: int, noise: float) -> None:
    made = fleet(12, 4.0, 43, scan_s=5.0)
    found = all_of(made, 5.0 * scans, noise)
    low, high = bounds(found)
    assert not np.any((low > LIMIT) | (high < -LIMIT))
    for gains in found:
        for part, usual in ((gains.load, 75.0), (gains.unload, 133.0)):
            assert part is None or max(abs(part.end.low), abs(part.end.high)) > 0.2 * usual


@pytest.mark.parametrize(
    ("fault", "dead", "alive"),
    [
        (Fault(unload=0.0, from_s=9000.0), ("unload",), ("load",)),
        (Fault(load=0.0, from_s=9000.0), ("load",), ("unload",)),
        (Fault(load=0.0, unload=0.0, from_s=9000.0), ("load", "unload"), ()),
    ],
)
@pytest.mark.parametrize("every_s", [1.0, 5.0])
def test_a_command_that_finds_no_response_is_told_from_one_that_does(
    fault: Fault, dead: tuple[str, ...], alive: tuple[str, ...], every_s: float
) -> None:
    made = fleet(12, 5.0, 47, fault=fault)
    found = all_of(made, every_s)
    for name in (*dead, *alive):
        sign = 1.0 if name == "load" else -1.0
        parts = [g.response(sign) for g in found]
        # a command that was not given again since says nothing of after the fault
        since = EPOCH + round((fault.from_s + 600.0) * NS)
        ends = [p.end.turned(sign) for p in parts if p is not None and p.span_ns[1] > since]
        limit = 0.2 * (100.0 if name == "load" else 133.0)
        lost, kept = sum(e.high < limit for e in ends), sum(e.low > limit for e in ends)
        if name in dead:
            assert kept <= 1
            assert lost >= (0.6 if every_s == 1.0 else 0.4) * len(ends)
        else:
            assert lost == 0


@pytest.mark.slow
def test_thinning_never_turns_an_answer_round() -> None:
    for drift in (0.0, 2.0):
        made = fleet(40, 6.0, 53, drift)
        for factor in (1, 2, 5, 10, 30):
            low, high = bounds(all_of(made, float(factor)))
            wrong = (low > LIMIT) if drift == 0.0 else (high < LIMIT)
            assert wrong.sum() == 0, (drift, factor)
