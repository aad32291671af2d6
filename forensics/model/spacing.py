"""How far apart stamps lie, and how long they speak for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.model.vocabulary import Recorded

NS = 1_000_000_000

_GAP_INTERVALS = 3.0


def usual_step_s(t: NDArray[np.int64]) -> float:
    """Median spacing of stamps in s; a log without a gap has but one. Rows that share a stamp tell of no spacing."""
    steps = np.diff(t)
    usual = float(steps[0] if (steps == steps[0]).all() else np.median(steps)) / NS
    if usual > 0.0:
        return usual
    apart = steps[steps > 0]
    return float(np.median(apart)) / NS if len(apart) else float("inf")


def covered_seconds(t: NDArray[np.int64], recorded: Recorded, interval_s: float) -> float:
    """Seconds that stamps speak for; between stamps of a periodic log that lie far apart nothing is known."""
    if len(t) <= 1:
        return 0.0
    if recorded is Recorded.CHANGE or not np.isfinite(interval_s):
        return float(t[-1] - t[0]) / NS
    return float(np.minimum(np.diff(t), round(_GAP_INTERVALS * interval_s * NS)).sum()) / NS
