"""How fast the gas can have turned the rotors backwards after stops: a bound from both sides, by the torque balance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.case.schema import Machine
from forensics.machine.stops.coastdown_model import (
    Rotors,
    backward_work_kpa,
    between,
    lowest_speed,
    matching_volume_ratio,
    spread_evenly,
    stepped_course,
)
from forensics.machine.stops.rotor_pressure import Difference
from forensics.machine.subject import Subject
from forensics.model.findings import Bounds, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Recorded, Role, Starter
from forensics.rules import Limits

Floats = NDArray[np.float64]
_FINE_S, _FINE_TO_S, _COARSE_S = 0.1, 15.0, 0.5
_WATTS_PER_VOLT_AMP = (0.7, 0.92)  # power factor times efficiency at rated load of cage motors of this size
_TWO_POLES = 60.0  # synchronous rpm a hertz; motors of refrigeration screws have two poles (common practice)
_SLIP = 0.95
_RUN_UP_S = 10.0
_RUNNING = 0.8  # of no-load amps, below which no motor runs
_MEMBERS = 64
_AT_ONCE = 64
_BAND = (0.05, 0.95)


@dataclass(frozen=True, slots=True)
class Valve:
    """What the discharge side tells of the unloading valve and the rotors behind it.

    Attributes
    ----------
    stayed_shut
        It stayed shut until the difference was lost.
    forward_s
        Until when rotors were seen to feed the discharge side, s after the earliest end of current.
    """

    stayed_shut: bool = False
    forward_s: float = 0.0


@dataclass(frozen=True, slots=True)
class _Course:
    """Pressures after one stop for every member, shape (steps, members), and the rotors that go with them."""

    discharge: Floats
    suction: Floats
    rotors: Rotors
    forward_s: float = 0.0


@dataclass(frozen=True, slots=True)
class _Draws:
    """Grid, s; members, shape (unknowns, members); band of the built-in ratio; what the valve did."""

    grid_s: Floats
    members: Floats
    built_in: tuple[float, float]
    valve: Valve


def speed_bounds(
    subject: Subject,
    stops: Sequence[Stop],
    until_ns: Sequence[int],
    valves: Sequence[Valve],
    rotors: Difference,
    *,
    own_ratio: float | None,
) -> list[Bounds | None]:
    """The least and most backward speed, rpm, that the gas can have given the rotors after each stop.

    Rotors are left at rated speed with the torque that the amps tell. What is not known (when between two samples the
    current ended and the difference went, the sensors' error, inertia, friction, built-in ratio) is drawn from its band
    again and again; the interval holds nine tenths of what then comes out. Where the unloading valve stayed shut, the
    discharge side stays full as long as the rotors run forward: that times their standstill and so tells the inertia.

    Parameters
    ----------
    valves
        What the unloading valve is known to have let the discharge side do.
    own_ratio
        Discharge over suction pressure that the machine works at, as its stops show it.

    Returns
    -------
    list of Bounds or None
        Value the median; in the order of ``stops``; None where pressures or run-up are missing.
    """
    draws = spread_evenly(_MEMBERS, 10)
    grid_s = _grid_s(subject.limits["coastdown.lost_after_s"])
    ratio = _built_in(subject.limits, own_ratio)
    courses = [
        _course(subject, stop, until, rotors, _Draws(grid_s, draws, ratio, valve))
        for stop, until, valve in zip(stops, until_ns, valves, strict=True)
    ]
    # as many at once as a cache holds: each step is one operation over all of them
    asked = [i for i, course in enumerate(courses) if isinstance(course, _Course)]
    out: list[Bounds | None] = [course if isinstance(course, Bounds) else None for course in courses]
    for first in range(0, len(asked), _AT_ONCE):
        places = asked[first : first + _AT_ONCE]
        chosen = [course for course in (courses[i] for i in places) if isinstance(course, _Course)]
        for place, found in zip(places, _bounds(subject.machine, chosen, grid_s), strict=True):
            out[place] = found
    return out


def _built_in(limits: Limits, own_ratio: float | None) -> tuple[float, float]:
    """Band of the built-in volume ratio: none is bought that compresses far beyond the pressures that it works at."""
    least, most = limits["coastdown.built_in_least"], limits["coastdown.built_in_most"]
    if own_ratio is None or not np.isfinite(own_ratio):
        return least, most
    fits = matching_volume_ratio(own_ratio)
    return least, float(np.clip(limits["coastdown.built_in_over_own"] * fits, 1.1 * least, most))


def _grid_s(until_s: float) -> Floats:
    return np.concatenate((np.arange(0.0, _FINE_TO_S, _FINE_S), np.arange(_FINE_TO_S, until_s + 0.01, _COARSE_S)))


def _bounds(machine: Machine, courses: list[_Course], grid_s: Floats) -> list[Bounds]:
    least_rpm, most_rpm = _rated_rpm(machine)
    names = ("start_time_s", "friction", "churning", "built_in_ratio", "torque", "sealing")
    rotors = Rotors(*(np.concatenate([getattr(c.rotors, name) for c in courses]) for name in names))
    discharge = np.concatenate([c.discharge for c in courses], axis=1)
    suction = np.concatenate([c.suction for c in courses], axis=1)
    forward_s = np.repeat([c.forward_s for c in courses], _MEMBERS)
    fastest = lowest_speed(discharge, suction, np.diff(grid_s, append=grid_s[-1]), rotors, forward_s)
    speeds = fastest.reshape(len(courses), _MEMBERS)
    low, middle, high = np.quantile(speeds, (_BAND[0], 0.5, _BAND[1]), axis=1, method="nearest")
    usual_rpm = (least_rpm * most_rpm) ** 0.5
    rows = zip(low, middle, high, strict=True)
    return [Bounds(float(b) * usual_rpm, float(a) * least_rpm, float(c) * most_rpm) for a, b, c in rows]


def _course(
    subject: Subject,
    stop: Stop,
    until_ns: int,
    rotors: Difference,
    given: _Draws,
) -> _Course | Bounds | None:
    """What one stop is integrated from; the answer itself where no such rotors could be turned."""
    grid_s, draws, ratio = given.grid_s, given.members, given.built_in
    before = _full_kpa(rotors, stop.earliest_ns, subject.limits)
    if before is None or _blurred(subject, rotors) or (stop.ran_s is not None and stop.ran_s < _RUN_UP_S):
        return None
    end = min(until_ns, stop.latest_ns + round(grid_s[-1] * NS))
    t, v = rotors.between(stop.earliest_ns, end)
    if not len(t):
        return None
    wide_s = (stop.latest_ns - stop.earliest_ns) / NS
    at_s = grid_s[:, None] + draws[0] * wide_s
    seconds = (t - stop.earliest_ns) / NS
    suction = rotors.lower.at(t)
    known = np.isfinite(suction)
    if not known.any():
        return None
    most = np.maximum(np.append(v[known], before) + rotors.offset_error_kpa, 0.0)
    least = np.append(suction[known], suction[known][0])
    if not np.any(backward_work_kpa(least + most, least, np.asarray(ratio[0])) > 0.0):
        return Bounds(0.0, 0.0, 0.0)
    low = np.interp(at_s, seconds[known], suction[known])
    error = rotors.offset_error_kpa * (2.0 * draws[1] - 1.0)
    found = stepped_course(seconds, v, before, draws[2], at_s) + error
    found = np.where(at_s <= (end - stop.earliest_ns) / NS, np.maximum(found, 0.0), 0.0)
    begins_s = _fall_begins_s(stop, t, v, before, subject.limits) if given.valve.stayed_shut else None
    made = _rotors(subject, stop, draws[3:], ratio, begins_s)
    return _Course(low + found, low, made, given.valve.forward_s)


def _blurred(subject: Subject, rotors: Difference) -> bool:
    """Whether slow averages or extremes hide when the current ended and the difference went."""
    points = (rotors.upper, rotors.lower, subject.record.fastest(Role.MOTOR_AMPS))
    slow = subject.limits["coastdown.fast_interval_s"] + 1e-6
    told = (Recorded.INSTANT, Recorded.CHANGE)
    return any(p is not None and p.origin.recorded not in told and p.interval_s > slow for p in points)


def _full_kpa(rotors: Difference, end_ns: int, limits: Limits) -> float | None:
    """The difference that the rotors were left with: of slow readings, which may hold the stop already, the larger."""
    if rotors.interval_s <= limits["coastdown.fast_interval_s"] + 1e-6:
        return rotors.last_before(end_ns, 2.0)
    _, values = rotors.between(end_ns - round(1.5 * rotors.interval_s * NS), end_ns + 1)
    return float(np.max(values)) if len(values) else None


def _fall_begins_s(
    stop: Stop, t: NDArray[np.int64], v: Floats, before: float, limits: Limits
) -> tuple[float, float] | None:
    """Between which times from the end of current the full discharge side began to empty, where its valve stayed shut.

    Not before its last reading that was full; nor after the moment to which the first readings of the fall point back,
    since it only grows faster.
    """
    fallen = np.flatnonzero((v < limits["coastdown.full_share"] * before) & (t > stop.latest_ns))
    if not len(fallen) or fallen[0] == 0:
        return None
    at = int(fallen[0])
    full = np.flatnonzero(v[:at] >= limits["coastdown.still_full_share"] * before)
    last = (int(t[full[-1]]) - stop.latest_ns) / NS if len(full) else 0.1
    first = (int(t[at]) - stop.earliest_ns) / NS
    if at + 1 < len(v) and v[at + 1] < v[at]:
        first -= (before - v[at]) / (v[at] - v[at + 1]) * (int(t[at + 1]) - int(t[at])) / NS
    return max(min(last, first), 0.1), max(last, first, 0.1)


def _rotors(
    subject: Subject, stop: Stop, draws: Floats, built_in: tuple[float, float], begins_s: tuple[float, float] | None
) -> Rotors:
    """The rotors of every member."""
    limits = subject.limits
    low, high = _torque(subject, stop)
    friction = between(limits["coastdown.friction_least"], limits["coastdown.friction_most"], draws[0])
    churning = between(limits["coastdown.churning_least"], limits["coastdown.churning_most"], draws[1])
    ratio = between(*built_in, draws[2])
    torque = np.maximum(low + (high - low) * draws[3], friction + churning + limits["coastdown.gas_torque_least"])
    time_s = between(*_start_time_s(subject), draws[4])
    if begins_s is not None:
        # the flow fails at a speed at which the clearances pass all that is carried: the less, the more that is a turn
        share = limits["coastdown.full_speed_share"] * np.minimum(1.0, limits["coastdown.full_speed_torque"] / torque)
        # and against a torque that stays rotors run on for their time constant over it
        time_s = torque * between(*begins_s, draws[4]) / (1.0 - share * draws[5])
    sealing = limits["coastdown.sealing_least"] + (1.0 - limits["coastdown.sealing_least"]) * draws[6]
    return Rotors(time_s, friction, churning, ratio, torque, sealing)


def _torque(subject: Subject, stop: Stop) -> tuple[float, float]:
    """Least and most shaft torque at the end of current, over rated."""
    machine, limits = subject.machine, subject.limits
    rated, amps = machine.rated_load_amps, stop.amps_before
    if rated is None or amps is None or machine.starter is Starter.VARIABLE_SPEED:
        return limits["coastdown.torque_unknown_least"], limits["coastdown.torque_unknown_most"]
    given = machine.no_load_amps
    if amps < _RUNNING * (given or limits["coastdown.no_load_least"] * rated):
        # a reading that the end of current is in already, or a sensor of another scale
        return limits["coastdown.torque_unknown_least"], limits["coastdown.torque_unknown_most"]
    none = (limits["coastdown.no_load_least"], limits["coastdown.no_load_most"])
    least, most = none if given is None else (0.95 * given / rated, 1.05 * given / rated)
    error = machine.current_sensor.ratio_error_percent or 0.0
    share = amps / rated * np.array([1.0 - error / 100.0, 1.0 + error / 100.0])
    low = np.sqrt(max(share[0] ** 2 - most**2, 0.0) / (1.0 - most**2))
    high = np.sqrt(max(share[1] ** 2 - least**2, 0.0) / (1.0 - least**2))
    cap = limits["coastdown.torque_most"]
    return float(min(low, cap)), float(min(high, cap))


def _start_time_s(subject: Subject) -> tuple[float, float]:
    """Mechanical time constant, least and most, s: from the nameplate, else the band of such machines."""
    machine, limits = subject.machine, subject.limits
    least, most = limits["coastdown.start_time_least_s"], limits["coastdown.start_time_most_s"]
    inertia, volts, amps = machine.rotor_inertia_kg_m2, machine.supply_volts, machine.rated_load_amps
    if inertia is None or volts is None or amps is None:
        return least, most
    slow, fast = (rpm * 2.0 * np.pi / 60.0 for rpm in _rated_rpm(machine))
    power = np.sqrt(3.0) * volts * amps
    own = inertia * slow**2 / (power * _WATTS_PER_VOLT_AMP[1]), inertia * fast**2 / (power * _WATTS_PER_VOLT_AMP[0])
    return float(own[0]), float(own[1])


def _rated_rpm(machine: Machine) -> tuple[float, float]:
    """Rated speed, least and most; without ``rated_speed_rpm`` that of a motor of two poles."""
    if machine.rated_speed_rpm is not None:
        return machine.rated_speed_rpm, machine.rated_speed_rpm
    hertz = machine.supply_hertz
    return _SLIP * _TWO_POLES * (hertz or 50.0), _TWO_POLES * (hertz or 60.0)
