"""One point less another, as samples that a figure can draw."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.model.points import Samples
from forensics.model.vocabulary import Role

_PAIR_AGE_INTERVALS = 3.0


def difference(plus: Samples | None, minus: Samples | None) -> Samples | None:
    """One point less another, as samples of the first; None where either is not there."""
    if plus is None or minus is None:
        return None
    usable = plus.usable
    values = usable.v - minus.at(usable.t, _PAIR_AGE_INTERVALS * max(minus.interval_s, plus.interval_s))
    good = np.isfinite(values)
    column = f"{plus.origin.column} less {minus.origin.column}"
    return replace(
        usable,
        role=Role.OIL_PRESSURE_DIFFERENCE,
        origin=replace(plus.origin, column=column),
        t=usable.t[good],
        v=values[good],
        q=usable.q[good],
        row=usable.row[good],
    )
