"""The moment at which a slope changed, with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_CHI2_95 = 3.841
_EDGE = 3


@dataclass(frozen=True, slots=True)
class Change:
    """First row after the change, first and last row of its interval, and twice the gain in log likelihood."""

    at: int
    low: int
    high: int
    strength: float


def change_of_slope(x: Floats, y: Floats) -> Change | None:
    """Where one slope through the origin is best replaced by two; None for too few rows.

    Parameters
    ----------
    x, y
        Regressor and response in time order, shape (n,); the response with all else taken out.

    Notes
    -----
    Profile likelihood of the change point for normal errors (D. V. Hinkley 1970, Biometrika 57, 1-17): rows whose
    likelihood lies within the 95 % bound of chi-square with one degree of freedom make up the interval.
    """
    n = len(x)
    if n < 2 * _EDGE + 2:
        return None
    xx, xy = np.cumsum(x * x), np.cumsum(x * y)
    before, after = xx[:-1], xx[-1] - xx[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        explained = np.where(before > 0, xy[:-1] ** 2 / before, 0.0)
        explained = explained + np.where(after > 1e-12 * xx[-1], (xy[-1] - xy[:-1]) ** 2 / after, 0.0)
    explained[:_EDGE] = explained[-_EDGE:] = -np.inf
    single = xy[-1] ** 2 / xx[-1] if xx[-1] > 0 else 0.0
    best = int(np.argmax(explained))
    left = float(np.sum(y * y) - explained[best])
    error = max(left / max(n - 2, 1), 1e-30)
    near = np.flatnonzero(explained >= explained[best] - _CHI2_95 * error)
    return Change(best + 1, int(near[0]) + 1, int(near[-1]) + 1, float(max(explained[best] - single, 0.0) / error))
