"""Where a trend has no rows: told with their times, never filled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.intake.timestamps.wording import in_units
from forensics.model.points import NS, iso

_STEPS, _MOST_SAID = 10.0, 3


def gaps_told(t: NDArray[np.int64]) -> list[str]:
    """Sentences about the longest gaps of a trend; none where its rows come at no rhythm of their own.

    Parameters
    ----------
    t
        ns UTC, non-decreasing, shape (n,).
    """
    if len(t) < 3:  # noqa: PLR2004 - a rhythm needs two steps
        return []
    steps = np.diff(t)
    usual = float(np.median(steps))
    long = np.flatnonzero(steps > _STEPS * usual) if usual else np.zeros(0, np.int64)
    if not len(long) or len(long) * _STEPS > len(steps):
        return []
    first = long[np.argsort(-steps[long], kind="stable")][:_MOST_SAID]
    shown = "; ".join(f"{iso(int(t[k]))} to {iso(int(t[k + 1]))} ({in_units(steps[k] / NS)})" for k in sorted(first))
    count = len(long)
    return [f"{count} gap{'s' if count > 1 else ''} in rows that come every {usual / NS:g} s, the longest: {shown}"]
