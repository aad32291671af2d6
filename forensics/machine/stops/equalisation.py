"""How pressures equalise after a stop: how fast, what is left, and how long the high side stands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.machine.stops.rotor_pressure import Difference
from forensics.model.findings import Bounds
from forensics.model.points import NS, middle
from forensics.rules import Limits
from forensics.stats.slopes import straight_line

Floats = NDArray[np.float64]

_FEWEST = 4
_ONE_E = float(np.exp(-1.0))
ALREADY_EQUAL = "the high side was already equal to suction"
STOOD = "the high side did not fall within two minutes"


def equalisation(
    rotors: Difference, off_ns: tuple[int, int], following_ns: int, limits: Limits
) -> tuple[Bounds | None, str]:
    """Time from the end of current in which the difference across the rotors falls to 1/e, s, and why there is none.

    The law is no exponential: near its end the root of the difference falls along a line. So the time is that of the
    crossing, interpolated in the root between the readings on both sides of it; its interval is the time between them,
    widened by that in which the current ended. Where the first reading after the stop is beyond it, only an upper bound
    is known.

    Parameters
    ----------
    off_ns
        Earliest and latest end of current, ns UTC.
    """
    earliest, latest = off_ns
    if rotors.interval_s > 2.0 * limits["coastdown.fast_interval_s"] + 1.0:
        return None, f"pressures every {rotors.interval_s:g} s: too slow for an equalisation of seconds"
    t, v = rotors.between(latest, min(latest + 40 * NS, following_ns))
    first = rotors.last_before(earliest, max(2.0, rotors.interval_s))
    if len(t) < _FEWEST or first is None or first < limits["coastdown.least_lift_kpa"]:
        return None, "too few samples, or too small a difference, to fit"
    seconds = (t - latest) / NS
    below = np.flatnonzero(v <= _ONE_E * first)
    if not len(below):
        return Bounds(None, float(seconds[-1]), None, "above"), "the difference did not fall to 1/e within 40 s"
    at, wide_s = int(below[0]), (latest - earliest) / NS
    last = float(seconds[at]) + wide_s
    if at == 0:
        return Bounds(None, 0.0, max(last, 1e-3), "below"), "it fell before the first reading after the stop"
    roots = np.sqrt(np.maximum([v[at - 1], v[at], _ONE_E * first], 0.0))
    value = np.interp(-roots[2], -roots[:2], seconds[at - 1 : at + 1]) + wide_s / 2.0
    return Bounds(float(value), float(seconds[at - 1]), last), ""


def residual_difference(
    rotors: Difference, off_ns: int, following_ns: int, limits: Limits
) -> tuple[float | None, float | None, str]:
    """Median difference 50 to 90 s after the stop with the offset at rest taken off, kPa, and its half width."""
    if rotors.interval_s > limits["coastdown.residual_interval_s"]:
        return None, None, f"pressures every {rotors.interval_s:g} s: two samples between 50 and 90 s are needed"
    begin = off_ns + round(limits["coastdown.residual_from_s"] * NS)
    end = off_ns + round(limits["coastdown.residual_to_s"] * NS)
    _, values = rotors.between(begin, min(end, following_ns))
    if len(values) < 2:  # noqa: PLR2004 - a median of one is no median
        return None, None, "fewer than two samples between 50 and 90 s"
    return middle(values), rotors.offset_error_kpa, ""


def high_side_decay(
    high: Difference, off_ns: int, following_ns: int, limits: Limits
) -> tuple[float | None, float | None, str]:
    """Time constant of condenser less suction, s, 20 to 120 s after the stop, its standard error, and why none.

    Method: straight line of least squares through the logarithm of the difference. None where it does not fall by
    more than twice its standard error.
    """
    if high.interval_s > limits["coastdown.decay_interval_s"]:
        return None, None, f"pressures every {high.interval_s:g} s: four samples between 20 and 120 s are needed"
    begin = off_ns + round(limits["coastdown.decay_from_s"] * NS)
    end = off_ns + round(limits["coastdown.decay_to_s"] * NS)
    t, v = high.between(begin, min(end, following_ns))
    if len(t) < _FEWEST:
        return None, None, "fewer than four samples"
    if np.min(v) < limits["coastdown.spent_difference_kpa"]:
        return None, None, ALREADY_EQUAL
    slope, error = straight_line((t - off_ns) / NS, np.log(v))
    if not slope < min(-2.0 * error, 0.0):
        return None, None, STOOD
    return -1.0 / slope, error / slope**2, ""
