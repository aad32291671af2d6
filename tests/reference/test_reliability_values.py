"""Rates and lives against values from outside: handbook examples, published data, reference libraries."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from check_values import Row
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight
from statsmodels.stats.proportion import proportion_confint

from forensics.sites.life import survival, weibull
from forensics.sites.rates import poisson_interval, rate
from forensics.stats.proportions import wilson

Rows = dict[str, Row]

# NIST/SEMATECH e-Handbook 8.4.1.3: ten failures, ten units suspended at 500 h
NIST_FAILED = (54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0, 373.0, 375.0, 386.0)
NIST_RUNNING = (500.0,) * 10
# Freireich et al. (1963), 6-MP arm, the classical example of the method; data from memory, values recomputed elsewhere
REMISSION_FAILED = (6.0, 6.0, 6.0, 7.0, 10.0, 13.0, 16.0, 22.0, 23.0)
REMISSION_RUNNING = (6.0, 9.0, 10.0, 11.0, 17.0, 19.0, 20.0, 25.0, 32.0, 32.0, 34.0, 35.0)


def test_wilson_interval_against_the_published_table(rows: Rows) -> None:
    for name in ("ST-061", "ST-062", "ST-063", "ST-064", "ST-067", "ST-068", "ST-069", "ST-070"):
        count, of = (int(x) for x in rows[name].inputs.split("/"))
        low, high = (float(x) for x in rows[name].expected.partition(";")[0].split("-"))
        assert wilson(count, of) == pytest.approx((low, high), abs=1e-4), name
        assert wilson(count, of) == pytest.approx(proportion_confint(count, of, method="wilson"), abs=1e-12)


def test_poisson_interval_against_the_check_value_and_the_definition(rows: Rows) -> None:
    low, high = (float(x) for x in rows["ST-077"].expected.split("-"))
    assert poisson_interval(3) == pytest.approx((low, high), abs=1e-4)
    for count in (1, 2, 7, 40):
        low, high = poisson_interval(count)
        # the definition of the exact limits: each leaves 2.5 % in its tail
        assert stats.poisson.sf(count - 1, low) == pytest.approx(0.025, abs=1e-9)
        assert stats.poisson.cdf(count, high) == pytest.approx(0.025, abs=1e-9)
    assert poisson_interval(0) == pytest.approx((0.0, -math.log(0.025)))


def test_a_rate_scales_with_its_exposure_and_needs_one() -> None:
    found = rate(3, 30_000.0, per=1000.0)
    assert found is not None
    assert (found.value, found.low, found.high) == pytest.approx((0.1, 0.6187 / 30, 8.7673 / 30), abs=1e-5)
    assert rate(3, None) is None
    assert rate(3, 0.0) is None


def test_time_terminated_lower_limit_of_the_mean_life(rows: Rows) -> None:
    # one-sided 90 % limit: 10,000 h over the upper 90 % limit for 2 failures
    _, high = poisson_interval(2, confidence=0.8)
    assert 10_000 / high == pytest.approx(float(rows["ST-076"].expected), abs=0.1)


def test_survival_curve_against_the_classical_data(rows: Rows) -> None:
    found = survival(REMISSION_FAILED, REMISSION_RUNNING)
    assert found is not None
    assert found.hours == (6.0, 7.0, 10.0, 13.0, 16.0, 22.0, 23.0)
    expected = [float(x) for x in re.findall(r"[\d.]+", rows["ST-072"].expected)]
    assert found.share == pytest.approx(expected, abs=1e-4)
    assert (found.failures, found.censored) == (9, 12)


def test_survival_limits_against_greenwood(rows: Rows) -> None:
    found = survival(REMISSION_FAILED, REMISSION_RUNNING)
    assert found is not None
    error = float(rows["ST-073"].expected)
    share = found.share[0]
    half = 1.959964 * error / (share * abs(math.log(share)))
    assert found.low[0] == pytest.approx(share ** math.exp(half), abs=2e-4)
    assert found.high[0] == pytest.approx(share ** math.exp(-half), abs=2e-4)


def test_survival_curve_against_a_reference_library() -> None:
    found = survival(NIST_FAILED, NIST_RUNNING)
    reference = SurvfuncRight([*NIST_FAILED, *NIST_RUNNING], [1] * 10 + [0] * 10)
    assert found is not None
    assert found.hours == pytest.approx(reference.surv_times)
    assert found.share == pytest.approx(reference.surv_prob)


def test_weibull_against_the_handbook(rows: Rows) -> None:
    found = weibull(NIST_FAILED, NIST_RUNNING, fewest=4)
    shape, scale, likelihood = (float(x) for x in rows["ST-074"].expected.split(";"))
    assert found is not None
    assert found.shape == pytest.approx(shape, abs=1e-3)
    assert found.scale_h == pytest.approx(scale, abs=0.02)
    assert found.log_likelihood == pytest.approx(likelihood, abs=1e-3)


def test_weibull_limits_against_the_curvature_of_the_likelihood() -> None:
    found = weibull(NIST_FAILED, NIST_RUNNING, fewest=4)
    assert found is not None
    at = np.array([math.log(found.shape), math.log(found.scale_h)])

    def minus(x: np.ndarray) -> float:
        life = stats.weibull_min(math.exp(x[0]), scale=math.exp(x[1]))
        return -float(np.sum(life.logpdf(NIST_FAILED)) + np.sum(life.logsf(NIST_RUNNING)))

    step, curve = 1e-3, np.zeros((2, 2))
    for i in range(2):
        for j in range(2):
            d_i, d_j = np.eye(2)[i] * step, np.eye(2)[j] * step
            curve[i, j] = (
                minus(at + d_i + d_j) - minus(at + d_i - d_j) - minus(at - d_i + d_j) + minus(at - d_i - d_j)
            ) / (4 * step**2)
    deviations = np.sqrt(np.diag(np.linalg.inv(curve)))
    assert math.log(found.shape_limits[1] / found.shape) == pytest.approx(1.959964 * deviations[0], rel=1e-3)
    assert math.log(found.scale_limits_h[1] / found.scale_h) == pytest.approx(1.959964 * deviations[1], rel=1e-3)


@pytest.mark.parametrize("failed", [(), (100.0,), (100.0, 200.0, 300.0), (100.0,) * 5, (0.0, 100.0, 200.0, 300.0)])
def test_no_life_is_fitted_to_what_cannot_bear_it(failed: tuple[float, ...]) -> None:
    assert weibull(failed, (500.0,), fewest=4) is None


def test_leaving_out_machines_that_run_makes_lives_look_short() -> None:
    whole, cut = weibull(NIST_FAILED, NIST_RUNNING, fewest=4), weibull(NIST_FAILED, (), fewest=4)
    assert whole is not None
    assert cut is not None
    assert cut.scale_h < 0.6 * whole.scale_h
