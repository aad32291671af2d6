"""What readings can't be: parts of one under a sign of per cent, pressures below vacuum, a zero of an hour meter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.model.units import Datum, Unit
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role

_ONE = 1.05  # parts of one may overshoot a little
_SPAN = 0.2
_ROUND = 1e-6
_FEW = 3  # different values with hundredths


def may_be_parts_of_one(values: NDArray[np.float64], unit: Unit) -> bool:
    """Whether readings in per cent all lie between 0 and 1, as parts of one do."""
    if unit.dimension is not Dimension.FRACTION or unit.factor != 1.0 or not len(values):
        return False
    low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    if not (np.isfinite(low) and low >= 0.0 and high <= _ONE):
        return False
    if high - low < _SPAN:
        return False  # the noise of a reading in per cent that rests
    tenths = values * 10.0
    fine = values[np.abs(tenths - np.round(tenths)) > _ROUND]  # per cent are seldom logged in hundredths
    return len(np.unique(fine[:10_000])) >= _FEW


def below_vacuum(canonical: NDArray[np.float64], unit: Unit, role: Role) -> NDArray[np.bool_] | None:
    """Absolute pressures below zero, which no gas has; None where there are none."""
    if ROLE_FACTS[role].dimension is not Dimension.PRESSURE or unit.datum is Datum.UNSTATED:
        return None
    below: NDArray[np.bool_] = canonical < 0.0
    return below if below.any() else None


def false_zeros(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Positions of zeros of a counter that stands where it stood, or higher, after them."""
    zero = values == 0.0
    if not zero.any() or zero.all():
        return np.zeros(0, np.int64)
    known = np.flatnonzero(~zero)
    at = np.flatnonzero(zero)
    place = np.searchsorted(known, at)
    between = (place > 0) & (place < len(known))
    before, after = known[np.maximum(place - 1, 0)], known[np.minimum(place, len(known) - 1)]
    found: NDArray[np.int64] = at[between & (values[after] >= values[before]) & (values[before] > 0)]
    return found
