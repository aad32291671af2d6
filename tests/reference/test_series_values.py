"""Series and fits against values from outside: certified data sets, handbook examples, reference libraries.

Values are read from the shared table of check values, where each row names its source and confidence.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from check_values import Row, numbers
from scipy import stats
from steady import BEGIN_NS, point

from forensics.model.points import NS, ON
from forensics.model.vocabulary import Answer, Outcome, PreviousStop, Role
from forensics.results.machine_rows import StartRow
from forensics.rules import read_limits
from forensics.signatures.oil.filter import theil_sen
from forensics.sites import machines
from forensics.sites.machines import ratio_against_past
from forensics.stats.slopes import median_slope, straight_line, tied_pairs

Rows = dict[str, Row]


def test_theil_sen_slope_of_the_nile(rows: Rows) -> None:
    """ST-032: slope and 95 % limits of the classical Nile series (scipy and statsmodels, computed)."""
    row = rows["ST-032"]
    nile = pytest.importorskip("statsmodels.datasets.nile").load_pandas().data
    year, volume = nile["year"].to_numpy(float), nile["volume"].to_numpy(float)
    want, _, want_low, want_high = row.values
    assert median_slope(year, volume) == pytest.approx((want, want_low, want_high), abs=1e-4)
    # the filter's own form counts no ties: same slope, limits a shade wider or narrower
    slope, low, high = theil_sen(year, volume)
    assert slope == pytest.approx(want, abs=1e-4)
    assert (low, high) == pytest.approx((want_low, want_high), abs=0.1 * (want_high - want_low))


def test_the_interval_of_a_slope_stands_on_kendalls_statistic(rows: Rows) -> None:
    """ST-030, ST-031: variance with ties counted, and an interval that holds zero where the exact test finds no trend.

    The statistic itself and its p-value are printed nowhere in the project; the slope with its interval is.
    """
    nile = pytest.importorskip("statsmodels.datasets.nile").load_pandas().data
    year, volume = nile["year"].to_numpy(float), nile["volume"].to_numpy(float)
    _, variance, z, slope = rows["ST-031"].values
    n = len(year)
    assert (n * (n - 1) * (2 * n + 5) - tied_pairs(volume)) / 18.0 == pytest.approx(variance, abs=0.01)
    found, low, high = median_slope(year, volume)
    assert found == pytest.approx(slope, abs=1e-4)
    assert abs(z) > 1.96
    assert low < high < 0.0
    few = np.array(rows["ST-030"].given)
    _, low, high = median_slope(np.arange(float(len(few))), few)
    assert rows["ST-030"].values[1] > 0.025
    assert low < 0.0 < high


# JCGM 100 H.3: temperature of the thermometer and its correction, degC (data from memory; they give the printed values)
READINGS = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
CORRECTIONS = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)


def test_straight_line_of_the_thermometer_calibration(rows: Rows) -> None:
    """ST-051: slope and its standard error; intercept and correlation are printed nowhere in the project."""
    slope, error = numbers(rows["ST-051"].expected.replace("(", "; ").replace(")", ";"))[2:4]
    found = straight_line(np.array(READINGS), np.array(CORRECTIONS))
    assert found[0] == pytest.approx(slope, abs=5e-6)
    assert found[1] == pytest.approx(error, abs=5e-6)


def ratios_of_starts(values: list[float]) -> list[Any]:
    """A machine whose starts had these ratios, as the comparison across sites reads it."""
    begin = datetime(2031, 1, 1, tzinfo=UTC)
    starts = [
        StartRow(
            time_utc=f"{begin + timedelta(hours=n):%Y-%m-%dT%H:%M:%SZ}",
            inrush_amps=None,
            settled_amps=None,
            ratio=value,
            low=None,
            high=None,
            unloaded=Answer.YES,
            reverse_rotation=Outcome.CANNOT_TELL,
            previous_stop=PreviousStop.NORMAL,
        )
        for n, value in enumerate(values)
    ]
    return [SimpleNamespace(findings=SimpleNamespace(starts=starts), counts=False, failed=False, failure_ns=None)]


def test_modified_z_score_of_the_handbook_example(rows: Rows) -> None:
    """ST-028, ST-029: NIST/SEMATECH e-Handbook 1.3.5.17; the example's largest value against all eight."""
    row = rows["ST-028"]
    values = list(numbers(row.inputs))
    # the score does not change with the zero of the scale; near zero the floor for reading noise stays below the spread
    shifted = [value - 190.0 for value in values]
    found = ratio_against_past(ratios_of_starts([*shifted, shifted[-1]]))
    assert found.z == pytest.approx(row.values[2], abs=1e-3)
    assert found.answer is Answer.YES
    assert read_limits()["sites.own_past_z"] == rows["ST-029"].values[0]
    usual = ratio_against_past(ratios_of_starts([*shifted[:-1], shifted[3]]))
    assert usual.answer is Answer.NO


def test_median_absolute_deviation(rows: Rows) -> None:
    """ST-026, ST-027: a textbook example, and 1 / Phi^-1(3/4)."""
    row, factor = rows["ST-026"], rows["ST-027"].values[0]
    values = [10.0 + v for v in numbers(row.inputs)]
    assert pytest.approx(factor, abs=1e-6) == machines.MAD_TO_SD == pytest.approx(1.0 / stats.norm.ppf(0.75), abs=1e-6)
    last = 20.0
    found = ratio_against_past(ratios_of_starts([*values, last]))
    assert found.median == 12.0
    assert found.z is not None
    assert (last - 12.0) / found.z == pytest.approx(row.values[0] * row.values[1], abs=1e-4)


def test_edges_of_runs_against_a_change_point_library(rows: Rows) -> None:
    """Runs of a noisy current: ruptures, least squares, on the same samples; ST-018: its default grid misses edges."""
    ruptures = pytest.importorskip("ruptures")
    assert rows["ST-018"].tolerance == "must not be used for event timing"
    rng = np.random.default_rng(4)
    lengths = (16, 28, 21, 33, 24, 19, 17)
    level = np.concatenate([np.full(n, 120.0 * (k % 2)) for k, n in enumerate(lengths)])
    current = np.maximum(level + rng.normal(0.0, 3.0, len(level)), 0.0)
    samples = point(Role.MOTOR_AMPS, current, 1.0)
    edges = samples.crossings(20.0, 40.0, 0.0)
    found = [(edge.latest_ns - BEGIN_NS) // NS for edge in edges]
    exact = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(current).predict(n_bkps=len(lengths) - 1)
    assert found == exact[:-1] == np.cumsum(lengths)[:-1].tolist()
    assert [edge.to == ON for edge in edges] == [True, False] * 3
    coarse = ruptures.Dynp(model="l2", min_size=5).fit(current).predict(n_bkps=len(lengths) - 1)
    assert coarse[:-1] != found
