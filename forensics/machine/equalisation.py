"""How pressures equalise after a stop: time constants, what is left, and how long the high side stands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.machine.rotor_pressure import Difference
from forensics.model.points import NS, middle
from forensics.rules import Limits
from forensics.stats.slopes import straight_line

Floats = NDArray[np.float64]

_FEWEST = 4


_WELL_FITTED = 0.97


_ONE_E = 0.36788


def equalisation(
    rotors: Difference, begin_ns: int, following_ns: int, limits: Limits
) -> tuple[float | None, float | None, str]:
    """Time constant of the difference across the rotors, s, its standard error, and why there is none.

    Method: least squares of ``C + (D - C) exp(-t / tau)`` from the end of current over 40 s, D being the difference at
    that moment (scipy), C no lower than what is known of the sensors' offset allows: gas does not flow on past equal
    pressures. Where the curve is no such exponential, as after a hold or where the discharge side empties
    late, the time to 1/e of D stands instead, with half a sample interval.
    """
    if rotors.interval_s > 2.0 * limits["coastdown.fast_interval_s"] + 1.0:
        return None, None, f"pressures every {rotors.interval_s:g} s: too slow to fit an equalisation of seconds"
    t, v = rotors.between(begin_ns, min(begin_ns + 40 * NS, following_ns))
    first = rotors.last_before(begin_ns, max(2.0, rotors.interval_s))
    if len(t) < _FEWEST or first is None or first < limits["coastdown.least_lift_kpa"]:
        return None, None, "too few samples, or too small a difference, to fit"
    seconds = (t - begin_ns) / NS
    tau, error, good = _exponential(seconds, v, first, -rotors.offset_error_kpa)
    if tau is not None and good >= _WELL_FITTED:
        return tau, error, ""
    below = np.flatnonzero(v <= _ONE_E * first)
    if not len(below):
        return None, None, "the difference did not fall to a third within 40 s"
    at = int(below[0])
    if at == 0:
        return float(seconds[0]), rotors.interval_s / 2, ""
    crossing = np.interp(-_ONE_E * first, [-v[at - 1], -v[at]], [seconds[at - 1], seconds[at]])
    return float(crossing), rotors.interval_s / 2, ""


def _exponential(
    seconds: Floats, values: Floats, first: float, lowest: float
) -> tuple[float | None, float | None, float]:
    from scipy.optimize import curve_fit

    def falling(at: Floats, tau: float, rest: float) -> Floats:
        return np.asarray(rest + (first - rest) * np.exp(-at / tau))

    try:
        found, spread = curve_fit(
            falling, seconds, values, p0=(2.0, 0.0), bounds=([0.05, lowest], [600.0, first]), maxfev=2000
        )
    except (RuntimeError, ValueError):
        return None, None, 0.0
    left = values - falling(seconds, *found)
    total = float(np.sum((values - np.mean(values)) ** 2))
    good = 1.0 - float(np.sum(left**2)) / total if total > 0 else 0.0
    return float(found[0]), float(np.sqrt(spread[0, 0])), good


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
    if len(t) < _FEWEST or np.min(v) < limits["coastdown.spent_difference_kpa"]:
        reason = "fewer than four samples" if len(t) < _FEWEST else "the high side was already equal to suction"
        return None, None, reason
    slope, error = straight_line((t - off_ns) / NS, np.log(v))
    if not slope < min(-2.0 * error, 0.0):
        return None, None, "the high side did not fall within two minutes"
    return -1.0 / slope, error / slope**2, ""
