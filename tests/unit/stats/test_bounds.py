"""Bounds of shares, against published values and an independent package."""

from __future__ import annotations

import pytest
from statsmodels.stats.proportion import proportion_confint

from forensics.stats.bounds import exact_interval, exact_lower
from forensics.stats.proportions import wilson


@pytest.mark.parametrize(("count", "of"), [(0, 7), (1, 7), (7, 7), (57, 60), (300, 311)])
def test_intervals_are_those_of_an_independent_package(count: int, of: int) -> None:
    # statsmodels, proportion_confint: 'beta' is Clopper and Pearson's, 'wilson' the score interval
    assert exact_interval(count, of) == pytest.approx(proportion_confint(count, of, method="beta"), abs=1e-12)
    assert wilson(count, of) == pytest.approx(proportion_confint(count, of, method="wilson"), abs=1e-9)


def test_fifty_nine_of_fifty_nine_show_ninety_five_percent() -> None:
    # S. S. Wilks, Annals of Mathematical Statistics 12 (1941) 91: 59 is the least for 95/95: 0.95^59 < 0.05
    assert exact_lower(59, 59) > 0.95 > exact_lower(58, 58)
    assert exact_lower(58, 58) == pytest.approx(0.05 ** (1 / 58))


def test_a_count_of_nothing_bounds_nothing() -> None:
    assert exact_lower(0, 12) == 0.0


def test_clusters_bound_less_than_the_same_number_of_cases_of_their_own() -> None:
    assert exact_lower(0.95 * 20, 20) < exact_lower(57, 60)
