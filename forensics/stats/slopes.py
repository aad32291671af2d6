"""Straight lines through readings: by least squares, and by the median of all slopes between two of them.

The formulas are those of ``scipy.stats.linregress`` and ``theilslopes``, which the tests hold them against: importing
that package costs more than all lines of a case.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_Z95 = 1.959963984540054  # standard normal at 0.975


def straight_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope of least squares and its standard error, in y per x; at least three different ``x`` are needed."""
    spread_x, both, _, spread_y = np.cov(x, y, bias=True).ravel()
    if spread_x <= 0.0:
        return float("nan"), float("nan")
    share = float(np.clip(both / np.sqrt(spread_x * spread_y), -1.0, 1.0)) if spread_y > 0.0 else 0.0
    error = np.sqrt((1.0 - share**2) * spread_y / spread_x / (len(x) - 2))
    return float(both / spread_x), float(error)


def median_slope(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Median of all pairwise slopes with its 95 % interval from Kendall's statistic (Sen 1968), ties counted.

    Returns
    -------
    slope, low, high
        In y per x; at least two different ``x`` are needed.
    """
    run = x[:, None] - x
    later = run > 0.0
    slopes = np.sort((y[:, None] - y)[later] / run[later])
    count, n = len(slopes), len(x)
    ties = sum(tied_pairs(values) for values in (x, y))
    variance = (n * (n - 1) * (2 * n + 5) - ties) / 18.0
    if variance <= 0.0:
        # so many ties leave no order to judge by: any of the slopes may be the one
        return float(np.median(slopes)), float(slopes[0]), float(slopes[-1])
    spread = np.sqrt(variance)
    low = max(round(float(count - _Z95 * spread) / 2.0) - 1, 0)
    high = min(round(float(count + _Z95 * spread) / 2.0), count - 1)
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def tied_pairs(values: Floats) -> int:
    """What ties take off the variance of Kendall's sum: t (t - 1) (2 t + 5) over groups of t equal values."""
    _, counts = np.unique(values, return_counts=True)
    return int(np.sum(counts * (counts - 1) * (2 * counts + 5)))
