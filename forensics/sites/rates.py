"""Rates with exact Poisson intervals: so many failures in so many hours or starts at risk.

Method: F. Garwood, Biometrika 28 (1936) 437: the limits are quantiles of chi-square.
"""

from __future__ import annotations

from dataclasses import dataclass

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate per unit of exposure with its two-sided interval."""

    count: int
    exposure: float
    value: float
    low: float
    high: float


def poisson_interval(count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided interval for the mean of a Poisson count."""
    from scipy.stats import chi2

    tail = (1.0 - confidence) / 2
    low = float(chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    return low, float(chi2.ppf(1.0 - tail, 2 * count + 2)) / 2


def rate(count: int, exposure: float | None, *, per: float = 1.0) -> Rate | None:
    """A rate per ``per`` units of exposure; None without exposure, for a count alone is no rate."""
    if exposure is None or not exposure > 0:
        return None
    low, high = (limit * per / exposure for limit in poisson_interval(count))
    return Rate(count, exposure, count * per / exposure, low, high)
