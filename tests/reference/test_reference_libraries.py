"""Fits of the project against libraries that do the same: scipy, statsmodels and numpy on invented series."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats
from steady import BEGIN_NS, point

from forensics.clocks.offset_and_drift import consistent_pairs, range_with_drift
from forensics.electrics.phasors import sequence_components
from forensics.machine.stops.equalisation import equalisation, high_side_decay
from forensics.machine.stops.rotor_pressure import Difference
from forensics.model.points import NS
from forensics.model.vocabulary import Role
from forensics.rules import read_limits
from forensics.signatures.refrigerant.expansion_valve import spectrum_of, swing_of
from forensics.sites.rates import poisson_interval
from forensics.stats.robust_fit import robust_fit

LIMITS = read_limits()


def fallen(values: np.ndarray, step_s: float, offset_error_kpa: float = 0.0) -> Difference:
    upper = point(Role.DISCHARGE_PRESSURE, values, step_s)
    lower = point(Role.SUCTION_PRESSURE, np.zeros(len(values)), step_s)
    return Difference(
        upper=upper,
        lower=lower,
        t=upper.t,
        v=values,
        interval_s=step_s,
        offset_kpa=0.0,
        offset_error_kpa=offset_error_kpa,
    )


@pytest.mark.parametrize("seed", range(4))
def test_decay_of_the_high_side_against_scipy(seed: int) -> None:
    """scipy.stats.linregress through the logarithm, 20 to 120 s after the stop."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 130.0, 2.0)
    course = 500.0 * np.exp(-t / 240.0) + rng.normal(0.0, 2.0, len(t))
    found, error, _ = high_side_decay(fallen(course, 2.0), BEGIN_NS, BEGIN_NS + 300 * NS, LIMITS)
    part = (t >= 20.0) & (t < 120.0)
    line = stats.linregress(t[part], np.log(course[part]))
    assert found == pytest.approx(-1.0 / line.slope, rel=1e-9)
    assert error == pytest.approx(line.stderr / line.slope**2, rel=1e-6)


@pytest.mark.parametrize("tau_s", [1.2, 2.5, 7.5])
def test_equalisation_against_a_free_fit(tau_s: float) -> None:
    """scipy.optimize.least_squares with begin and time constant free: its 1/e lies in the interval of the crossing.

    ST-024, an identity, for 2.5 s: 100 falls to 36.7879 in one time constant.
    """
    from scipy.optimize import least_squares

    rng = np.random.default_rng(round(10 * tau_s))
    t = np.arange(0.0, 41.0, 0.5)
    course = 600.0 * np.exp(-t / tau_s) + rng.normal(0.0, 1.5, len(t))
    course[0] = 600.0
    found, _ = equalisation(fallen(course, 0.5, 5.0), (BEGIN_NS, BEGIN_NS), BEGIN_NS + 60 * NS, LIMITS)
    free = least_squares(lambda p: p[0] * np.exp(-t / p[1]) - course, (500.0, 2.0))
    assert found is not None
    assert found.low <= free.x[1] <= found.high
    assert found.value == pytest.approx(tau_s, rel=0.03)


@pytest.mark.parametrize("period_s", [45.0, 90.0, 150.0])
def test_hunting_against_the_periodogram_of_scipy(period_s: float) -> None:
    """scipy.signal: the same detrended, Hann-tapered spectrum; period and amplitude of a known swing."""
    step_s, n = 5.0, 240
    rng = np.random.default_rng(int(period_s))
    t = np.arange(n) * step_s
    values = 6.0 + 0.002 * t + 3.5 * np.sin(2 * np.pi * t / period_s + 0.4) + rng.normal(0.0, 0.2, n)
    spectrum = spectrum_of(values)
    expected = np.fft.rfft(signal.detrend(values) * signal.windows.hann(n, sym=True))
    assert spectrum == pytest.approx(expected, rel=1e-9, abs=1e-9)
    stamps = BEGIN_NS + (t * NS).astype(np.int64)
    swing = swing_of(stamps, values, {}, step_s, (30.0, 300.0), 0.5)
    assert swing is not None
    frequency, power = signal.periodogram(values, 1.0 / step_s, window="hann", detrend="linear")
    assert swing.period_s == pytest.approx(1.0 / frequency[int(np.argmax(power))], rel=1e-9)
    assert swing.period_s == pytest.approx(period_s, rel=0.06)
    assert swing.amplitude == pytest.approx(3.5, rel=0.05)


@pytest.mark.parametrize("ppm", [-60.0, 35.0])
def test_drift_of_a_clock_against_a_regression(ppm: float) -> None:
    """What all events allow holds the truth and scipy.stats.linregress of their middles."""
    rng = np.random.default_rng(5)
    at_s = np.sort(rng.uniform(-90_000.0, 0.0, 25))
    true = 95.0 + at_s * ppm * 1e-6
    half = rng.uniform(0.4, 1.0, 25)
    middle = true + rng.uniform(-0.35, 0.35, 25)
    reach = range_with_drift(middle - half, middle + half, at_s, 200.0)
    assert reach is not None
    offset_low, offset_high, drift_low, drift_high = reach
    line = stats.linregress(at_s, middle)
    assert offset_low <= line.intercept <= offset_high
    assert drift_low <= 1e6 * line.slope <= drift_high
    assert offset_low <= 95.0 <= offset_high
    assert drift_low <= ppm <= drift_high


def test_events_that_contradict_a_drift_are_those_a_robust_line_leaves_out() -> None:
    """scipy.stats.theilslopes: what lies outside its interval about the robust line is not kept."""
    rng = np.random.default_rng(8)
    at_s = np.sort(rng.uniform(-90_000.0, 0.0, 20))
    middle = 95.0 + at_s * 40e-6 + rng.uniform(-0.2, 0.2, 20)
    middle[[4, 13]] += (9.0, -7.0)
    kept = consistent_pairs(middle - 0.5, middle + 0.5, at_s, 200.0)
    line = stats.theilslopes(middle, at_s)
    near = np.abs(middle - line.intercept - line.slope * at_s) <= 0.5
    assert kept.tolist() == near.tolist()
    assert np.flatnonzero(~kept).tolist() == [4, 13]


def test_plane_over_duties_against_ordinary_least_squares() -> None:
    """statsmodels OLS on the samples that are no outliers: the robust plane lies on it, far outliers move neither."""
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(2)
    n = 400
    slide, lift = rng.uniform(20.0, 100.0, n), rng.uniform(25.0, 45.0, n)
    design = np.column_stack([np.ones(n), slide - 60.0, lift - 35.0])
    clean = design @ np.array([52.0, 0.08, 0.9]) + rng.normal(0.0, 0.5, n)
    reading = clean.copy()
    reading[::50] += 25.0
    usual = design @ robust_fit(design, reading)
    good = np.ones(n, dtype=bool)
    good[::50] = False
    reference = api.OLS(clean[good], design[good]).fit().predict(design)
    assert usual == pytest.approx(reference, abs=0.12)
    naive = api.OLS(reading, design).fit().predict(design)
    assert np.max(np.abs(usual - reference)) < 0.3 * np.max(np.abs(naive - reference))


def test_components_against_the_inverse_of_the_matrix() -> None:
    """numpy.linalg: Fortescue's matrix of synthesis, inverted."""
    a = np.exp(2j * np.pi / 3)
    synthesis = np.array([[1, 1, 1], [1, a**2, a], [1, a, a**2]])
    rng = np.random.default_rng(6)
    phases = rng.normal(size=(3, 50)) + 1j * rng.normal(size=(3, 50))
    found = sequence_components(*phases)
    assert np.array(found) == pytest.approx(np.linalg.inv(synthesis) @ phases, rel=1e-12)


@pytest.mark.parametrize("count", [0, 1, 4, 25])
def test_poisson_interval_against_statsmodels(count: int) -> None:
    rates = pytest.importorskip("statsmodels.stats.rates")
    expected = rates.confint_poisson(count, 1.0, method="exact-c", alpha=0.05)
    low, high = poisson_interval(count)
    assert (low, high) == pytest.approx((np.nan_to_num(expected[0]), expected[1]), rel=1e-9)
