"""Series and fits against values from outside: certified data sets, handbook examples, reference libraries.

Values are read from the shared table of check values, where each row names its source and confidence.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from forensics.signatures.oil_filter import theil_sen
from forensics.signatures.stop_table import _exponential


@pytest.fixture(scope="module")
def rows(shared: Path) -> dict[str, dict[str, str]]:
    with (shared / "standards" / "check_values.csv").open(encoding="utf-8", newline="") as stream:
        return {row["id"]: row for row in csv.DictReader(stream)}


@pytest.fixture(scope="module")
def certified(shared: Path) -> dict[str, Any]:
    told: dict[str, Any] = json.loads((shared / "standards" / "strd_data.json").read_text(encoding="utf-8"))
    return told


@pytest.mark.parametrize(
    ("name", "b1", "b2", "scale"),
    [
        # NIST StRD, certified: y = b1 (1 - exp(-b2 x)); the fit's own form is rest + (0 - rest) exp(-t / tau)
        ("Misra1a", 2.3894212918e2, 5.5015643181e-4, 1e-2),
        ("BoxBOD", 2.1380940889e2, 5.4723748542e-1, 1.0),
    ],
)
def test_exponential_fit_of_certified_sets(
    certified: dict[str, Any], name: str, b1: float, b2: float, scale: float
) -> None:
    x, y = np.array(certified[name]["x"], float) * scale, np.array(certified[name]["y"], float)
    # mirrored, since the fit is of a difference that falls: rest - y goes from b1 to 0
    fallen = b1 - y
    tau, error, good = _exponential(x, fallen, b1)
    assert tau is not None
    assert error is not None
    # the fit knows its first value, so that one of the certified parameters is given to it
    assert tau == pytest.approx(scale / b2, rel=0.02)
    assert abs(tau - scale / b2) <= error
    assert good > 0.85


def test_first_order_decay_gives_its_time_constant(rows: dict[str, dict[str, str]]) -> None:
    """Row ST-024, an identity: 100 falls to 36.7879 in one time constant of 2.5 s."""
    want = float(rows["ST-024"]["expected"])
    t = np.arange(1, 12) * 1.0
    tau, error, good = _exponential(t, 100.0 * np.exp(-t / want), 100.0)
    assert tau == pytest.approx(want, abs=1e-4)
    assert error == pytest.approx(0.0, abs=1e-4)
    assert good == pytest.approx(1.0)


def test_theil_sen_slope_of_the_nile(rows: dict[str, dict[str, str]]) -> None:
    """Row ST-032: slope and 95 % limits of the classical Nile series (scipy and statsmodels, computed)."""
    nile = pytest.importorskip("statsmodels.datasets.nile").load_pandas().data
    slope, low, high = theil_sen(nile["year"].to_numpy(float), nile["volume"].to_numpy(float))
    want = [float(x) for x in rows["ST-032"]["expected"].replace(";", ",").split(",")]
    assert slope == pytest.approx(want[0], abs=1e-4)
    spread = want[3] - want[2]
    assert (low, high) == pytest.approx((want[2], want[3]), abs=0.1 * spread)


def test_scaled_median_deviation(rows: dict[str, dict[str, str]]) -> None:
    """Row ST-027: 1 / Phi^-1(3/4)."""
    assert 1.0 / stats.norm.ppf(0.75) == pytest.approx(float(rows["ST-027"]["expected"]), abs=1e-6)


def test_ratio_of_settled_amps(rows: dict[str, dict[str, str]]) -> None:
    """Rows SC-001 (common practice, no published source, from memory) and SC-005 (definition)."""
    from forensics.rules import read_limits

    assert float(rows["SC-005"]["expected"]) == pytest.approx(118.4 / 296.0, abs=1e-4)
    assert read_limits()["starts.unloaded_ratio_max"] == pytest.approx(0.5)
