"""The thermal image against the closed forms of IEC 60255-149, and the robust slope against a reference library."""

from __future__ import annotations

import math

import numpy as np
import pytest

from forensics.rules import read_limits
from forensics.signatures.heat.motor import thermal_image
from forensics.signatures.oil.filter import theil_sen

NS = 1_000_000_000


def image(seconds: np.ndarray, amps: np.ndarray, tau_s: np.ndarray, first: float = 0.0) -> np.ndarray:
    return thermal_image((seconds * NS).astype(np.int64), amps, tau_s, first, factor=1.05, rated=100.0)


@pytest.mark.parametrize("ratio", [1.2, 1.5, 2.0, 3.0, 6.0])
def test_time_to_trip_from_cold(ratio: float) -> None:
    """IEC 60255-149 (from memory): t = tau ln(I^2 / (I^2 - (k Ib)^2)) from cold."""
    tau_s = 600.0
    expected = tau_s * math.log(ratio**2 / (ratio**2 - 1.05**2))
    t = np.linspace(0.0, 2.0 * expected, 4001)
    state = image(t, np.full(len(t), ratio * 100.0), np.full(len(t), tau_s))
    assert np.interp(1.0, state, t) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("before", [0.5, 0.9])
def test_time_to_trip_from_warm(before: float) -> None:
    """IEC 60255-149 (from memory): t = tau ln((I^2 - Ip^2) / (I^2 - (k Ib)^2)) after a load Ip for long."""
    tau_s, ratio = 600.0, 2.0
    expected = tau_s * math.log((ratio**2 - before**2) / (ratio**2 - 1.05**2))
    t = np.linspace(0.0, 2.0 * expected, 4001)
    state = image(t, np.full(len(t), ratio * 100.0), np.full(len(t), tau_s), (before / 1.05) ** 2)
    assert np.interp(1.0, state, t) == pytest.approx(expected, rel=1e-3)


def test_cooling_halves_in_its_half_life() -> None:
    t = np.array([0.0, 600.0 * math.log(2.0)])
    assert image(t, np.zeros(2), np.full(2, 600.0), 0.8)[1] == pytest.approx(0.4, rel=1e-9)


def test_closed_form_equals_the_recursion_over_uneven_steps_and_long_rests() -> None:
    rng = np.random.default_rng(5)
    t = np.cumsum(rng.choice([1.0, 7.0, 300.0, 90_000.0], 3000, p=[0.6, 0.3, 0.09, 0.01]))
    amps = np.where(rng.random(3000) < 0.3, 0.0, rng.uniform(20.0, 300.0, 3000))
    tau_s = np.where(amps > 10.0, 300.0, 900.0)
    state, expected = 0.3, [0.3]
    for k in range(2999):
        share = math.exp(-(t[k + 1] - t[k]) / tau_s[k])
        state = state * share + (amps[k] / 105.0) ** 2 * (1.0 - share)
        expected.append(state)
    assert image(t, amps, tau_s, 0.3) == pytest.approx(np.array(expected), rel=1e-9, abs=1e-12)


def test_no_samples_and_one_sample() -> None:
    assert len(image(np.empty(0), np.empty(0), np.empty(0))) == 0
    assert image(np.zeros(1), np.ones(1), np.ones(1), 0.4).tolist() == [0.4]


@pytest.mark.parametrize("seed", range(4))
def test_slope_and_its_interval_against_scipy(seed: int) -> None:
    """scipy.stats.theilslopes, method of Sen 1968."""
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0.0, 50.0, 40))
    y = 3.0 - 0.7 * x + rng.standard_t(2, 40)
    expected = stats.theilslopes(y, x, 0.95)
    slope, low, high = theil_sen(x, y)
    assert slope == pytest.approx(expected.slope, rel=1e-9)
    spread = expected.high_slope - expected.low_slope
    assert low == pytest.approx(expected.low_slope, abs=0.1 * spread)
    assert high == pytest.approx(expected.high_slope, abs=0.1 * spread)
    assert all(math.isnan(v) for v in theil_sen(np.ones(3), np.ones(3)))


# IEC 60255-149: time to trip in time constants at I / (k Ib), cold and after 90 % load (formula recalled, computed)
TRIP_TIMES = [
    (1.2, 1.18562, 0.35895),
    (1.5, 0.58779, 0.14150),
    (2.0, 0.28768, 0.06141),
    (3.0, 0.11778, 0.02347),
    (6.0, 0.02817, 0.00541),
]


@pytest.mark.parametrize(("ratio", "cold", "hot"), TRIP_TIMES)
def test_trip_times_of_the_standard_curves(ratio: float, cold: float, hot: float) -> None:
    for first, expected in ((0.0, cold), (0.9**2, hot)):
        t = np.linspace(0.0, 3.0 * expected, 6001) * 1000.0
        state = image(t, np.full(len(t), ratio * 105.0), np.full(len(t), 1000.0), first)
        assert np.interp(1.0, state, t / 1000.0) == pytest.approx(expected, abs=2e-4)


def test_defaults_lie_in_the_ranges_of_common_practice() -> None:
    """Oil difference trip 100 to 250 kPa, filter change near 100 kPa, oil at rest 10 K above saturation.

    Discharge alarm at 100 degC. Common practice, no published source.
    """
    limits = read_limits()
    assert 100.0 <= limits["oil.difference_low"] <= 250.0
    assert limits["oil.filter_drop_high"] == pytest.approx(100.0, rel=0.2)
    assert limits["oil.dilution_safe"] == pytest.approx(10.0)
    assert 15.0 <= limits["oil.proof_time"] <= 120.0
    assert limits["heat.discharge_high"] == pytest.approx(100.0)
