"""What readings can't be: parts of one under a sign of per cent, pressures below vacuum, a zero of an hour meter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.model.units import Datum, Unit
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role

_ONE = 1.05  # parts of one may overshoot a little
_SPAN = 0.2
_REST, _MUCH = 0.25, 0.5
_MOST_PER_CENT, _SHARE_BEYOND = 150.0, 0.02
_FALLS_IN = 20  # a meter falls once, where it was exchanged
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
    above = float((values > _REST).mean())
    if high >= 1.0 - _ROUND and above > _MUCH and bool((values != np.round(values)).any()):
        return True  # a reading in per cent that rests near zero does not stay away from it
    tenths = values * 10.0
    fine = values[np.abs(tenths - np.round(tenths)) > _ROUND]  # per cent are seldom logged in hundredths
    return len(np.unique(fine[:10_000])) >= _FEW


def beyond_per_cent(values: NDArray[np.float64], unit: Unit) -> bool:
    """Whether readings in per cent go far beyond a hundred, as tenths of a per cent or counts of a converter do."""
    if unit.dimension is not Dimension.FRACTION:
        return False
    known = values[np.isfinite(values)] * unit.factor
    return bool(len(known)) and bool((known > _MOST_PER_CENT).mean() > _SHARE_BEYOND)


def is_energy_of_intervals(values: NDArray[np.float64]) -> bool:
    """Whether readings of an energy meter fall again and again, as the energy of each interval does."""
    known = values[np.isfinite(values)]
    steps = np.diff(known)
    falls = int((steps < 0).sum())
    return falls > 1 and falls * _FALLS_IN > len(steps)


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
