"""Lines against the statistics library, which is the outside reference here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress, theilslopes

from forensics.points import middle
from forensics.signatures.slopes import median_slope, straight_line

LENGTHS = st.integers(4, 60)
SEEDS = st.integers(0, 2**32 - 1)


@settings(max_examples=40, deadline=None)
@given(LENGTHS, SEEDS, st.booleans())
def test_lines_are_those_of_the_library(length: int, seed: int, rounded: bool) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.arange(float(length)), np.cumsum(rng.normal(0.1, 1.0, length))
    if rounded:
        x, y = np.floor(x / 2.0), np.round(y)
    found = theilslopes(y, x, 0.95)
    assert median_slope(x, y) == pytest.approx((found.slope, found.low_slope, found.high_slope), rel=1e-12, abs=1e-12)
    line = linregress(x, y)
    assert straight_line(x, y) == pytest.approx((line.slope, line.stderr), rel=1e-9, abs=1e-12)


def test_a_level_line_has_no_slope_and_no_error() -> None:
    assert straight_line(np.arange(5.0), np.full(5, 3.0)) == (0.0, 0.0)
    assert np.isnan(straight_line(np.full(5, 3.0), np.arange(5.0))).all()


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50))
def test_the_middle_is_the_median(values: list[float]) -> None:
    assert middle(np.array(values)) == np.median(values)
