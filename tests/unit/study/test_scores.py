"""Scores of evidence, against values worked by hand and properties that their sources state."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.study.scores import brier, calibration, cllr, cllr_min, log_score, probabilities


def db(ratio: float) -> float:
    return 10.0 * float(np.log10(ratio))


def test_saying_nothing_costs_one_bit() -> None:
    # Brümmer and du Preez 2006: a system that always says LR = 1 has a cost of exactly 1
    assert cllr([0.0, 0.0], [0.0] * 5) == pytest.approx(1.0)
    assert cllr_min([0.0, 0.0], [0.0] * 5) == pytest.approx(1.0)


def test_a_cost_worked_by_hand() -> None:
    # true LR 4 and 1/2: (log2 1.25 + log2 3) / 2; false LR 1/4 and 1: (log2 1.25 + log2 2) / 2; half of the sum
    expected = 0.5 * ((np.log2(1.25) + np.log2(3.0)) / 2 + (np.log2(1.25) + 1.0) / 2)
    assert cllr([db(4.0), db(0.5)], [db(0.25), db(1.0)]) == pytest.approx(expected)


def test_misleading_evidence_costs_more_than_none() -> None:
    assert cllr([-30.0], [30.0]) > 9.0


def test_order_is_all_that_the_least_cost_knows() -> None:
    rng = np.random.default_rng(5)
    true, false = rng.normal(6.0, 5.0, 60), rng.normal(-6.0, 5.0, 200)
    least = cllr_min(true, false)
    assert least == pytest.approx(cllr_min(3.0 * true + 20.0, 3.0 * false + 20.0))
    assert 0.0 < least < cllr(true, false) < cllr(3.0 * true + 20.0, 3.0 * false + 20.0)


def test_the_least_cost_pools_violators() -> None:
    # in rising order: false, true, false, true; the middle two are pooled to LR 1, the ends are certain
    assert cllr_min([1.0, 3.0], [0.0, 2.0]) == pytest.approx(0.5, abs=1e-6)


def test_perfect_order_costs_nothing_once_calibrated() -> None:
    assert cllr_min([5.0, 6.0], [1.0, 2.0, 3.0]) < 1e-6


@pytest.mark.parametrize(("true", "false"), [([], [1.0]), ([1.0], [])])
def test_a_cost_needs_both_kinds(true: list[float], false: list[float]) -> None:
    with pytest.raises(ValueError, match="at least one true and one false"):
        cllr(true, false)


def test_brier_and_log_score_worked_by_hand() -> None:
    chance = np.array([[0.5, 0.3, 0.2], [0.0, 1.0, 0.0]])
    assert brier(chance, np.array([0, 1])) == pytest.approx((0.25 + 0.09 + 0.04) / 2)
    assert log_score(chance, np.array([0, 1])) == pytest.approx(0.5)
    assert brier(chance, np.array([2, 0])) == pytest.approx((0.25 + 0.09 + 0.64 + 2.0) / 2)


def test_probabilities_follow_bayes_with_equal_priors() -> None:
    found = probabilities(np.array([[db(3.0), db(1.0), np.nan]]))
    assert found[0] == pytest.approx([0.75, 0.25, 0.0])


def test_decibans_that_mean_what_they_say_lie_in_their_bins() -> None:
    rng = np.random.default_rng(2)
    # two normal densities of equal spread: the likelihood ratio is known exactly
    truth = np.arange(6000) % 4 == 0
    x = rng.normal(np.where(truth, 1.5, 0.0), 1.0)
    given = (1.5 * x - 1.125) * 10.0 / np.log(10.0)
    bins = calibration(given, truth)
    assert sum(one.of for one in bins) == 6000
    assert sum(one.true for one in bins) == 1500
    assert sum(not one.holds for one in bins) <= 2
    assert sum(not one.holds for one in calibration(3.0 * given, truth)) > 10


def test_equal_decibans_are_one_bin() -> None:
    (one,) = calibration([0.0] * 10, [True] * 3 + [False] * 7)
    assert (one.true, one.of, one.found) == (3, 10, 0.3)
    assert one.told == pytest.approx(0.3)
    assert one.holds


def test_without_both_kinds_there_is_no_calibration() -> None:
    assert calibration([1.0], [True]) == ()
