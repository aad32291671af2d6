"""Robust straight-line models whose errors are told from batches of the record, not from single rows.

Rows that follow each other share readings and disturbances, so that they are not independent: their errors are told
from the sums over batches in time order, which hold whatever runs together (batch means; A. M. Law and W. D. Kelton,
Simulation Modeling and Analysis, section on steady-state output). Weights redescend (A. E. Beaton and J. W. Tukey
1974, Technometrics 16, 147-185), so that rows in which something else acted take no part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Floats = NDArray[np.float64]
_BISQUARE = 4.685  # 95 % efficiency at the normal distribution (Beaton and Tukey 1974)
_MAD_TO_SIGMA = 1.4826
_ROUNDS = 30
_LEAST_BATCHES = 4


@dataclass(frozen=True)
class Fit:
    """Coefficients with covariance, shapes (p,) and (p, p), the scale of one row, degrees of freedom.

    ``each`` holds the degrees of freedom coefficient by coefficient where they differ.
    """

    found: Floats
    covariance: Floats
    scale: float
    freedom: int
    each: tuple[int, ...] = ()

    def half_width(self, index: int, level: float = 0.95) -> float:
        """Half the width of a coefficient's interval; infinite without a degree of freedom."""
        freedom = self.each[index] if self.each else self.freedom
        if freedom < 1:
            return float("inf")
        reach = float(stdtrit(freedom, 0.5 + level / 2.0))
        return reach * float(np.sqrt(max(self.covariance[index, index], 0.0)))


def effective_freedom(apart: Floats, most: int) -> int:
    """Degrees of freedom of a variance that few of the batches carry: by the fourth moment of what each contributes.

    Equal normal contributions give nearly ``most``; where one start holds all that is known, about two.
    """
    square, fourth = float(np.sum(apart**2)), float(np.sum(apart**4))
    if fourth <= 0.0:
        return most
    return int(np.clip(round(3.0 * square**2 / fourth - 1.0), 2, max(most, 2)))


def batches(count: int, most: int = 30, least_rows: int = 2) -> NDArray[np.int64]:
    """Number of the batch of each of ``count`` rows in time order: up to ``most`` batches of equal size."""
    groups = max(1, min(most, count // max(least_rows, 1)))
    return (np.arange(count, dtype=np.int64) * groups) // max(count, 1)


def bisquare_fit(design: Floats, y: Floats, batch: NDArray[np.int64]) -> Fit | None:
    """Fit a linear model to the rows that agree with each other; None where there are too few batches.

    Parameters
    ----------
    design, y
        Shapes (n, p) and (n,), finite.
    batch
        Number of the batch of each row, not falling, shape (n,).

    Returns
    -------
    Fit or None
        Started at the least absolute deviations of the first column, so that less than half of the rows lead it.
    """
    n, p = design.shape
    if n <= 2 * p or len(np.unique(batch)) < max(_LEAST_BATCHES, p + 2):
        return None
    main = design[:, 0] != 0
    found = np.zeros(p)
    found[0] = float(np.median(y[main] / design[main, 0])) if main.any() else 0.0
    residual = y - design @ found
    scale = _MAD_TO_SIGMA * float(np.median(np.abs(residual)))
    floor = 1e-9 + 1e-3 * float(np.std(y))
    scale = max(scale, floor)
    weight = np.ones(n)
    for _ in range(_ROUNDS):
        share = np.clip(1.0 - (residual / (_BISQUARE * scale)) ** 2, 0.0, None)
        weight = share**2
        crossed = design.T * weight
        new = np.linalg.pinv(crossed @ design) @ (crossed @ y)
        residual = y - design @ new
        done = bool(np.allclose(new, found, rtol=1e-7, atol=1e-10))
        found = new
        if done:
            break
        scale = max(_MAD_TO_SIGMA * float(np.median(np.abs(residual))), floor)
    return _with_errors(design, residual, weight, found, scale, batch)


def _with_errors(
    design: Floats, residual: Floats, weight: Floats, found: Floats, scale: float, batch: NDArray[np.int64]
) -> Fit:
    share = np.clip(1.0 - (residual / (_BISQUARE * scale)) ** 2, 0.0, None)
    inside = (residual / (_BISQUARE * scale)) ** 2
    slope = np.where(share > 0, share**2 - 4.0 * share * inside, 0.0)
    bread = np.linalg.pinv((design.T * slope) @ design)
    scores = design * (weight * residual)[:, None]
    heads = np.flatnonzero(np.concatenate(([True], np.diff(batch) != 0)))
    sums = np.add.reduceat(scores, heads, axis=0)
    groups = len(heads)
    meat = sums.T @ sums * groups / max(groups - 1, 1)
    return Fit(found, bread @ meat @ bread, scale, groups - design.shape[1])
