"""How gas leaves the discharge side after a stop, and how fast it can have turned the rotors backwards: pure physics.

Orifices pass gas by the square-root law, bent down to the critical flow where they choke. An orifice is told by its
*conductance* ``c A sqrt(2 R T) / V`` in 1/s (flow coefficient, area, gas constant times temperature, volume that it
empties), so that ``dp/dt = conductance * head``: area per volume in the machine's own units. For a small drop the head
is ``sqrt(p_up * drop)``; with ``x`` the drop over ``p_up`` it is ``p_up * sqrt(x - x**2 / (2 x_c))`` up to the critical
``x_c``, an ellipse that keeps within 3 % of the isentropic nozzle (as in ISO 6358, from memory) and has integrals in
closed form. Pressures are absolute, in kPa.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_POLYTROPIC = 1.1
# critical pressure ratio (2 / (g + 1)) ** (g / (g - 1)) of vapours with g near 1.1
_TURNING = 0.01
_CRITICAL_DROP = 1.0 - (2.0 / (_POLYTROPIC + 1.0)) ** (_POLYTROPIC / (_POLYTROPIC - 1.0))
_CRITICAL_OVER = 1.0 / (1.0 - _CRITICAL_DROP)
_BEND = 1.0 / (2.0 * _CRITICAL_DROP) - 1.0
_CHOKED_RATE = (_CRITICAL_DROP / 2.0) ** 0.5


def orifice_head(up_kpa: Floats, down_kpa: Floats) -> Floats:
    """What one unit of conductance passes from one pressure to another, kPa; negative where it flows the other way."""
    high, low = np.maximum(up_kpa, down_kpa), np.minimum(up_kpa, down_kpa)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(high > 0.0, np.minimum(1.0 - low / high, _CRITICAL_DROP), 0.0)
    head = high * np.sqrt(np.maximum(share - share**2 / (2.0 * _CRITICAL_DROP), 0.0))
    return np.asarray(np.sign(up_kpa - down_kpa) * head)


def _turns(over: Floats) -> Floats:
    """Dimensionless time in which a pressure falls to its sink from a ratio over it: conductance times seconds.

    Below the critical drop ``du / sqrt(u - bend * u**2)`` with ``u = over - 1`` integrates to an arc cosine; above it
    the pressure falls by an exponential. Near equal pressures the root of the drop falls along a line.
    """
    below = np.minimum(np.maximum(over, 1.0), _CRITICAL_OVER)
    arc = np.arccos(1.0 - 2.0 * _BEND * (below - 1.0)) / np.sqrt(_BEND)
    return np.asarray(arc + np.log(np.maximum(over, _CRITICAL_OVER) / _CRITICAL_OVER) / _CHOKED_RATE)


def pressure_after(start_kpa: Floats, sink_kpa: Floats, conductance_per_s: Floats, seconds: Floats) -> Floats:
    """Pressure of a volume that empties through one orifice into a sink that stays, in closed form."""
    left = _turns(np.asarray(start_kpa) / sink_kpa) - np.asarray(conductance_per_s) * seconds
    whole = float(_turns(np.asarray(_CRITICAL_OVER)))
    late = 1.0 + (1.0 - np.cos(np.sqrt(_BEND) * np.clip(left, 0.0, whole))) / (2.0 * _BEND)
    early = _CRITICAL_OVER * np.exp(_CHOKED_RATE * np.maximum(left - whole, 0.0))
    return np.asarray(np.asarray(sink_kpa) * np.where(left > whole, early, late))


def seconds_to_fall(start_kpa: Floats, end_kpa: Floats, sink_kpa: Floats, conductance_per_s: Floats) -> Floats:
    """How long a volume takes to empty from one pressure to another through one orifice; the inverse of the above."""
    # a sink that is no absolute pressure tells nothing
    sink = np.where(np.asarray(sink_kpa) > 0.0, sink_kpa, np.nan)
    turns = _turns(np.asarray(start_kpa) / sink) - _turns(np.asarray(end_kpa) / sink)
    return np.asarray(turns / conductance_per_s)


def conductance(start_kpa: Floats, end_kpa: Floats, sink_kpa: Floats, seconds: Floats) -> Floats:
    """Conductance that empties a volume from one pressure to another in a time, 1/s; in closed form."""
    return seconds_to_fall(start_kpa, end_kpa, sink_kpa, np.asarray(1.0)) / seconds


def area_ratio(discharge_kpa: Floats, high_kpa: Floats, suction_kpa: Floats) -> Floats:
    """Leak area of the check valve over the area by which the discharge side empties, from a state that holds.

    Both orifices then pass the same gas: the ratio of their areas is the inverse ratio of their heads. It grows without
    end as discharge comes to stand with the high side; nothing flows in where discharge stands above it.
    """
    out, into = orifice_head(discharge_kpa, suction_kpa), orifice_head(high_kpa, discharge_kpa)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(into > 0.0, np.maximum(out, 0.0) / into, np.inf)
    return np.asarray(np.where(out > 0.0, ratio, 0.0))


@dataclass(frozen=True, slots=True)
class Rotors:
    """What turns and brakes a pair of rotors; each an array that goes with the stops, or one number.

    Attributes
    ----------
    start_time_s
        Mechanical time constant: inertia times rated speed over rated torque.
    friction
        Torque of bearings, seals and oil at standstill, over rated torque.
    churning
        What comes on top of it at rated speed, over rated torque.
    built_in_ratio
        Built-in volume ratio.
    torque
        Torque at the end of current, over rated torque.
    """

    start_time_s: Floats
    friction: Floats
    churning: Floats
    built_in_ratio: Floats
    torque: Floats
    sealing: Floats


def forward_work_kpa(discharge_kpa: Floats, suction_kpa: Floats, ratio: Floats) -> Floats:
    """Indicated work of one swept volume, forward: compression in the closed cell, delivery at discharge pressure."""
    closed = (ratio ** (_POLYTROPIC - 1.0) - 1.0) / (_POLYTROPIC - 1.0)
    return np.asarray(suction_kpa * (closed - 1.0) + discharge_kpa / ratio)


def backward_work_kpa(discharge_kpa: Floats, suction_kpa: Floats, ratio: Floats) -> Floats:
    """Indicated work of one swept volume, backwards: admission, expansion in the closed cell, exhaust to suction.

    Negative where discharge stands too little above suction for the built-in ratio: the gas then brakes.
    """
    expanded = (1.0 - ratio ** (1.0 - _POLYTROPIC)) / (_POLYTROPIC - 1.0)
    return np.asarray(discharge_kpa * (1.0 + expanded) / ratio - suction_kpa)


def matching_volume_ratio(pressure_ratio: float) -> float:
    """Built-in volume ratio that compresses to just this ratio of pressures (polytropic)."""
    return float(pressure_ratio ** (1.0 / _POLYTROPIC))


def lowest_speed(
    discharge_kpa: Floats, suction_kpa: Floats, step_s: Floats, rotors: Rotors, forward_s: Floats | float = 0.0
) -> Floats:
    """Fastest backward speed that gas gives rotors left by the motor at rated speed, over rated speed (0 or more).

    The torque at the end of current tells the swept volume that the slide left: what is not friction is the gas of the
    pressures of that moment. Speed follows from the torque balance, step by step (explicit, all rows at once).

    Parameters
    ----------
    discharge_kpa, suction_kpa
        Shape (steps, rows), from the end of current on.
    step_s
        Time from each to the next, shape (steps,).
    rotors
        Arrays of shape (rows,).
    forward_s
        Until when the rotors are known to have turned forward, whatever the balance says; shape (rows,) or one number.
    """
    ratio = np.asarray(rotors.built_in_ratio)
    first = np.maximum(forward_work_kpa(discharge_kpa[0], suction_kpa[0], ratio), 1e-6)
    gas = np.maximum(rotors.torque - rotors.friction - rotors.churning, 0.0) / first
    speed, lowest = np.ones(len(first)), np.zeros(len(first))
    at_s = np.cumsum(step_s)
    for high, low, seconds, now_s in zip(discharge_kpa, suction_kpa, step_s, at_s, strict=True):
        ahead = speed > 0.0
        work = np.where(ahead, forward_work_kpa(high, low, ratio), backward_work_kpa(high, low, ratio))
        tight = rotors.sealing + (1.0 - rotors.sealing) * np.minimum(2.0 * np.abs(speed), 1.0)
        drive = gas * tight * work
        drag = rotors.friction + rotors.churning * np.abs(speed)
        # at rest gas that is weaker than friction turns nothing, and gas that would brake has nothing to brake
        still = (speed == 0.0) & (drive <= drag)
        turned = speed - seconds / rotors.start_time_s * (drive + np.where(ahead, drag, -drag))
        # what passes through rest in a step stops there: the next step tells whether the gas turns it on
        through = np.sign(speed) * turned < 0.0
        speed = np.where(still | through, 0.0, turned)
        speed = np.where(now_s <= forward_s, np.maximum(speed, _TURNING), speed)
        lowest = np.minimum(lowest, speed)
    return np.asarray(-lowest)


def spread_evenly(count: int, dimensions: int) -> Floats:
    """Points that fill a unit cube evenly, the same every time, shape (dimensions, count).

    Multiples of powers of the root of ``x ** (d + 1) = x + 1``, modulo one: an additive recurrence (Kronecker), which
    keeps its evenness in more dimensions than digits turned round do.
    """
    root = 1.5
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1.0)
    return np.asarray((0.5 + steps[:, None] * np.arange(1, count + 1)) % 1.0)


def between(low: float, high: float, share: Floats) -> Floats:
    """Values at shares of a band of positive numbers, even in their logarithm."""
    return np.asarray(low * (high / low) ** share)


def stepped_course(times_s: Floats, values: Floats, before: float, shares: Floats, at_s: Floats) -> Floats:
    """A sampled course that goes from each reading to the next at a share of the time between them.

    Parameters
    ----------
    times_s, values
        Shape (readings,).
    before
        The reading before the first, taken to be one usual step older.
    shares
        Shape (members,): 0 goes at once after a reading, 1 at the next one.
    at_s
        Shape (steps, members).

    Returns
    -------
    course
        Shape (steps, members).
    """
    step = float(np.median(np.diff(times_s))) if len(times_s) > 1 else float(max(times_s[0], 1e-3))
    earlier = np.concatenate(([times_s[0] - step], times_s[:-1]))
    every = np.concatenate(([before], values))
    place = np.minimum(np.searchsorted(times_s, at_s, side="right"), len(times_s) - 1)
    turn = earlier[place] + shares * (times_s[place] - earlier[place])
    return np.asarray(every[place + (at_s >= turn)])
