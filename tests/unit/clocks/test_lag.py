"""Lag by cross-correlation against known lags and scipy's own routines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import correlate as scipy_correlate
from scipy.signal import correlation_lags, max_len_seq

from forensics.clocks.lag import lag_of, parabola_top


def test_maximal_length_sequence_delayed_by_seventeen() -> None:
    """Row ST-021 of the check values: N = 127, a copy delayed 17 (property of maximal-length sequences)."""
    code = max_len_seq(7)[0].astype(float) * 2.0 - 1.0
    circular = np.array([np.sum(np.roll(code, 17) * np.roll(code, k)) / 127.0 for k in range(127)])
    assert int(np.argmax(circular)) == 17
    assert np.sort(circular)[-2] == pytest.approx(-0.007874, abs=1e-6)
    padded = np.concatenate((np.zeros(60), code, np.zeros(60)))
    answer = lag_of(np.roll(padded, 17), padded, 50, rival=0.9)
    assert answer is not None
    assert answer[0] == pytest.approx(17.0, abs=0.2)
    assert answer[1] > 0.9


def test_parabola_through_three_points() -> None:
    """Row ST-022 of the check values: 0.80, 0.95, 0.90 peak 0.25 samples after the middle (closed form)."""
    assert parabola_top(np.array([0.80, 0.95, 0.90]), 1) == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize("lag", [-40, -7, 0, 3, 55])
def test_same_lag_as_scipy(lag: int) -> None:
    rng = np.random.default_rng(abs(lag) + 1)
    base = np.cumsum(rng.normal(size=900))
    a, b = base[100 - lag : 700 - lag], base[100:700]
    full = scipy_correlate(a - a.mean(), b - b.mean(), mode="full")
    expected = correlation_lags(len(a), len(b))[int(np.argmax(full))]
    answer = lag_of(a, b, 200)
    assert answer is not None
    assert answer[0] == pytest.approx(float(expected), abs=1.0)


def test_a_periodic_signal_fits_at_several_lags() -> None:
    wave = np.sin(np.arange(2000) * 2 * np.pi / 50)
    assert lag_of(np.roll(wave, 10), wave, 300, rival=0.9) is None


def test_a_flat_signal_has_no_lag() -> None:
    assert lag_of(np.ones(100), np.arange(100.0), 20) is None
