"""What instants share of something that drifts and forgets: the decomposition of its correlation."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def drift_axes(t: Floats, drift_s: float) -> tuple[Floats, Floats]:
    """Sizes and axes of a drift whose correlation falls with a time constant.

    Parameters
    ----------
    t
        Instants, s, shape (n,).
    drift_s
        Time constant, s.

    Returns
    -------
    size, axes
        Eigenvalues in rising order, shape (n,), and eigenvectors in columns; not to be changed: readings of the same
        instants, as those of one log are, share them, since the decomposition is most of the work.
    """
    return _decomposed(t.tobytes(), drift_s)


@lru_cache(maxsize=24)
def _decomposed(instants: bytes, drift_s: float) -> tuple[Floats, Floats]:
    t = np.frombuffer(instants, dtype=np.float64)
    size, axes = np.linalg.eigh(np.exp(-np.abs(t[:, None] - t) / drift_s))
    for found in (size, axes):
        found.flags.writeable = False
    return size, axes
