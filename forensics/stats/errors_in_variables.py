"""A linear model whose regressors are themselves measured with error.

What is measured of a regressor is right on average, and scatters about it with a variance that is known row by row.
Least squares would then find slopes that are too small; taking the summed error variance off the squares, and the
summed covariance of the error with the response off the products, makes them right on average (W. A. Fuller,
Measurement Error Models, 1987, section 2.2: method of moments). Errors come from leaving batches out in turn
(delete-a-group jackknife; P. S. Kott 2001, J. Off. Stat. 17, 521-526).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.stats.robust import Fit, effective_freedom

Floats = NDArray[np.float64]
_TRUSTED_SHARE = 0.15


def moment_fit(
    design: Floats, y: Floats, error_variance: Floats, batch: NDArray[np.int64], weight: Floats | None = None
) -> Fit | None:
    """Fit by corrected moments; None where what is left of the squares carries no slope.

    Parameters
    ----------
    design, y
        Shapes (n, p) and (n,), finite.
    error_variance
        Of each regressor in each row, shape (n, p).
    batch
        Number of the batch of each row, not falling, shape (n,).
    weight
        Shape (n,), not depending on the errors; ones where not given.
    """
    n, p = design.shape
    w = np.ones(n) if weight is None else weight
    heads = np.flatnonzero(np.concatenate(([True], np.diff(batch) != 0))) if n else np.array([], dtype=np.int64)
    groups = len(heads)
    if groups < p + 2:
        return None
    raw = np.add.reduceat(design[:, :, None] * design[:, None, :] * w[:, None, None], heads)
    error = np.add.reduceat(error_variance * w[:, None], heads)
    products = np.add.reduceat(design * (w * y)[:, None], heads)
    whole = _corrected(raw.sum(0), error.sum(0))
    if whole is None:
        return None
    found = whole @ products.sum(0)
    left = np.full((groups, p), np.nan)
    for g in range(groups):
        part = _corrected(raw.sum(0) - raw[g], error.sum(0) - error[g])
        if part is not None:
            left[g] = part @ (products.sum(0) - products[g])
    good = np.isfinite(left).all(axis=1)
    if good.sum() < groups or groups <= p:
        return None
    apart = left - left.mean(axis=0)
    covariance = (groups - 1) / groups * apart.T @ apart
    residual = y - design @ found
    freedom = tuple(effective_freedom(apart[:, k], groups - p) for k in range(p))
    return Fit(found, covariance, float(np.std(residual)), groups - p, freedom)


def _corrected(raw: Floats, error: Floats) -> Floats | None:
    """Inverse of the corrected squares; None where the error makes up most of what a regressor varies."""
    squares = raw - np.diag(error)
    scale = np.sqrt(np.maximum(np.diag(raw), 1e-30))
    relative = squares / scale[:, None] / scale[None, :]
    if float(np.min(np.linalg.eigvalsh(relative))) < _TRUSTED_SHARE * float(
        np.min(np.linalg.eigvalsh(raw / scale[:, None] / scale[None, :]))
    ):
        return None
    inverse: Floats = np.linalg.pinv(relative) / scale[:, None] / scale[None, :]
    return inverse
