"""Lines against the statistics library, which is the outside reference here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress, theilslopes

from forensics.model.points import middle
from forensics.stats.slopes import median_slope, straight_line

LENGTHS = st.integers(4, 60)
SEEDS = st.integers(0, 2**32 - 1)


def test_so_many_ties_that_nothing_is_known_leave_every_slope_open() -> None:
    """The library has no interval there (the variance of Kendall's statistic is negative)."""
    x, y = np.array([0.0] * 9 + [1.0]), np.array([5.0] + [0.0] * 9)
    with np.errstate(invalid="ignore"):
        assert np.isnan(theilslopes(y, x, 0.95).low_slope)
    assert median_slope(x, y) == (0.0, -5.0, 0.0)


@settings(max_examples=40)
@given(LENGTHS, SEEDS, st.booleans())
def test_lines_are_those_of_the_library(length: int, seed: int, rounded: bool) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.arange(float(length)), np.cumsum(rng.normal(0.1, 1.0, length))
    if rounded:
        x, y = np.floor(x / 2.0), np.round(y)
    with np.errstate(invalid="ignore"):  # many ties: the library takes the root of a negative variance and says nan
        found = theilslopes(y, x, 0.95)
    if np.isfinite(found.low_slope):
        expected = (found.slope, found.low_slope, found.high_slope)
        assert median_slope(x, y) == pytest.approx(expected, rel=1e-12, abs=1e-12)
    line = linregress(x, y)
    if np.isfinite(line.stderr):  # a level line has none with the library; ours is exact
        assert straight_line(x, y) == pytest.approx((line.slope, line.stderr), rel=1e-9, abs=1e-12)
    else:
        assert straight_line(x, y) == (0.0, 0.0)


def test_a_level_line_has_no_slope_and_no_error() -> None:
    assert straight_line(np.arange(5.0), np.full(5, 3.0)) == (0.0, 0.0)
    assert np.isnan(straight_line(np.full(5, 3.0), np.arange(5.0))).all()


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50))
def test_the_middle_is_the_median(values: list[float]) -> None:
    assert middle(np.array(values)) == np.median(values)
