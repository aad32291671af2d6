"""The rotors while they change speed: run-up under a starter, coast-down, and turning back.

One inertia, the torque of the gas, drag with a constant and a speed part, the mass in the plenum; steps of 0.05 s.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from .effects import Effects
from .motor import STARTER_CURRENT, pull_nm, reduced_s, slip_amps_pu
from .plant import Plant
from .thermodynamics import BUILT_IN_RATIO, KELVIN, TAU, gas_torque_nm, orifice_kg_s

FINE_S = 0.05
KEPT_S = 0.25
RUN_UP_KEPT_S = 0.1
LONGEST_COAST_S = 75.0
TURNS_BACK_RPM = -30.0
_MOST_SHARE = 0.6  # of a pressure difference that one step may close

Keep = Callable[[float], None]


@dataclass(slots=True)
class Coast:
    """What a stop came to: seconds and rpm (negative: backward), kPa; None where it was not reached."""

    spin_down_s: float | None = None
    peak_reverse_rpm: float = 0.0
    reverse_s: float = 0.0
    began_backward: bool = False
    time_to_37pc_s: float | None = None


def _plenum(plant: Plant, dt: float, area_mm2: float, leak_mm2: float) -> None:
    """Mass in the plenum over one step; what passes the check valve, either way, moves the condenser."""
    low, high, cond = plant.ps, plant.pd, plant.pc
    gain = plant.warm / plant.build.plenum_m3
    volume = plant.swept_m3 * plant.share() * plant.rpm / 60.0
    if plant.rpm >= 0.0:
        swept = volume * low / (plant.gas * (KELVIN + plant.te + plant.sh)) * 0.92
    else:
        swept = volume / BUILT_IN_RATIO * high / plant.warm
    room = _MOST_SHARE * abs(high - low) / (gain * dt)
    out = min(orifice_kg_s(area_mm2, high, low, plant.warm), room) - min(
        orifice_kg_s(area_mm2, low, high, plant.warm), room
    )
    feed = min(orifice_kg_s(leak_mm2, cond, high, plant.warm), _MOST_SHARE * max(cond - high, 0.0) / (gain * dt))
    high += gain * dt * (swept - out + feed)
    given = 0.0
    if high > cond + 4.0:
        given = (high - cond - 4.0) / (gain * dt)
        high = cond + 4.0
    plant.pd = max(high, 15.0)
    latent = plant.fluid.latent_kj_kg
    plant.tc += (given - feed) * latent * dt / plant.condenser_kj_k
    plant.te += (out - swept) * latent * dt / (2.4 * plant.cooling_kw)
    dew = plant.fluid.dew
    plant.ps, plant.pc = dew.pressure_kpa(plant.te), dew.pressure_kpa(plant.tc)


def _accelerate(plant: Plant, dt: float, torque_nm: float, drag_nm: float) -> None:
    scale = 60.0 / TAU / plant.build.inertia_kg_m2 * dt
    turned, loss = plant.rpm + torque_nm * scale, drag_nm * scale
    plant.rpm = 0.0 if abs(turned) <= loss else turned - (loss if turned > 0.0 else -loss)


def _drag_nm(plant: Plant, fx: Effects) -> float:
    speed = abs(plant.rpm) / plant.build.synchronous_rpm
    return plant.build.rated_torque_nm * (0.022 + 0.055 * speed) * fx.drag_factor


def coast_down(
    plant: Plant, fx: Effects, opening_at: Callable[[float], float], keep: Keep, *, seized: bool = False
) -> tuple[Coast, float]:
    """Let the rotors run out from motor-off; return what came of it and how many seconds were stepped.

    Parameters
    ----------
    opening_at
        Share of the bypass that is open so many seconds after motor-off.
    keep
        Called with the seconds since motor-off at every state that is to be kept.
    """
    build, told, t, kept = plant.build, Coast(), 0.0, -1.0
    plant.amps = plant.kw = plant.load_pu = plant.hertz = 0.0
    first = plant.pd - plant.ps
    told.began_backward = plant.rpm < TURNS_BACK_RPM
    while t < LONGEST_COAST_S:
        area = plant.clearance_mm2 + max(opening_at(t), fx.bypass_leak) * build.bypass_mm2 * build.has_bypass
        gas = gas_torque_nm(plant.swept_m3 * plant.share(), plant.rpm, plant.ps, plant.pd)
        drag = _drag_nm(plant, fx) * (30.0 if seized else 1.0)
        if plant.rpm or gas > drag:
            _accelerate(plant, FINE_S, -gas, drag)
        _plenum(plant, FINE_S, area, fx.check_leak_mm2)
        lift = max(plant.pd - plant.ps, 0.0)
        plant.oil_kpa = max(0.0, lift - 40.0)
        t += FINE_S
        if told.spin_down_s is None and (plant.rpm >= 0.0 if told.began_backward else plant.rpm <= 0.0):
            told.spin_down_s = round(t, 2)
        if plant.rpm < TURNS_BACK_RPM and not told.began_backward:
            told.reverse_s += FINE_S
            told.peak_reverse_rpm = min(told.peak_reverse_rpm, plant.rpm)
        if told.time_to_37pc_s is None and first > 20.0 and lift < 0.37 * first:
            told.time_to_37pc_s = round(t, 2)
        if t - kept >= KEPT_S - 1e-9:
            kept = t
            keep(t)
        still = plant.rpm == 0.0 and (lift < 3.0 or t > 12.0)
        if (
            still
            and gas_torque_nm(plant.swept_m3 * plant.share(), 0.0, plant.ps, plant.pd) <= drag
            and opening_at(t) > 0.5
        ):
            break
        if still and not build.has_bypass and lift < 0.03 * max(first, 1.0):
            break
    told.reverse_s, told.peak_reverse_rpm = round(told.reverse_s, 2), round(told.peak_reverse_rpm, 1)
    return told, t


def run_up(
    plant: Plant, fx: Effects, opening: float, keep: Keep, *, backward: bool, seized: bool, longest_s: float
) -> float:
    """Bring the rotors to speed; return the seconds it took (`longest_s` where they never came up).

    `keep` is called with the seconds since the motor was switched on. Amps are over rated amps in `plant.amps`.
    """
    build, t, kept = plant.build, 0.0, -1.0
    share_at = STARTER_CURRENT[build.starter]
    until = reduced_s(build.starter)
    gap = build.starter == "star-delta"
    sense = -1.0 if backward else 1.0
    sync = build.synchronous_rpm
    done_at = until if until > 0.0 and not build.has_drive else 0.0
    area = plant.clearance_mm2 + max(opening, fx.bypass_leak) * build.bypass_mm2 * build.has_bypass
    while t < longest_s:
        reduced = t < until
        plant.star = float(reduced and build.starter.startswith("star"))
        gas = gas_torque_nm(plant.swept_m3 * plant.share(), plant.rpm, plant.ps, plant.pd) * fx.torque_factor
        drag = _drag_nm(plant, fx) * (30.0 if seized else 1.0)
        speed = plant.rpm * sense / sync
        if build.has_drive:
            target = 0.5 * min(1.0, t / until) * sync
            plant.rpm = target if not seized else 0.0
            load = (gas + drag) / build.rated_torque_nm
            plant.amps = 0.04 + 0.9 * load * plant.rpm / sync if not seized else 1.2
            plant.hertz = build.hertz * target / sync
            done = t >= until
        elif speed > 0.95:
            load = (gas * sense + drag) / build.rated_torque_nm
            plant.rpm = sense * sync * (1.0 - min(0.05, 0.015 * max(load, 0.0)))
            share = share_at if reduced else 1.0
            plant.amps = _settled_amps(plant, max(load, 0.05), share)
            done = t >= done_at
        else:
            share = share_at if reduced else 1.0
            slip = max(1.0 - speed, 1e-3)
            _accelerate(plant, FINE_S, sense * pull_nm(build, slip, share, plant.volts) - gas, drag)
            plant.amps = slip_amps_pu(build, slip, share, plant.volts)
            done = False
        if gap and until <= t < until + 0.1:
            plant.amps, done = 0.0, False  # open transition
        elif gap and until + 0.1 <= t < until + 0.25:
            plant.amps = max(plant.amps, 3.2)
            done = False
        _plenum(plant, FINE_S, area, fx.check_leak_mm2)
        t += FINE_S
        if t - kept >= RUN_UP_KEPT_S - 1e-9 or done:
            kept = t
            keep(t)
        if done and not backward:
            break
    plant.star = 0.0
    return t


def _settled_amps(plant: Plant, load_pu: float, share: float) -> float:
    """Line amps at speed while the voltage is reduced: the magnetising part falls with it, the load part does not."""
    build = plant.build
    return math.hypot(build.no_load_ratio * share, math.sqrt(1.0 - build.no_load_ratio**2) * load_pu)
