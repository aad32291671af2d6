"""How old a reading may be and still stand for a moment."""

from __future__ import annotations

import numpy as np

from forensics.model.points import Samples
from forensics.model.vocabulary import Recorded


def max_age_s(samples: Samples) -> float | None:
    """How old a reading may be and still stand for a moment; None for change logs without a hold limit."""
    if samples.origin.recorded is Recorded.CHANGE:
        return samples.origin.hold_s
    return max(3.0 * samples.interval_s, 3.0) if np.isfinite(samples.interval_s) else None
