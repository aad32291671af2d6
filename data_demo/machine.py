"""A twin-screw chiller as lumped volumes, orifices and a torque balance.

Own work, held against no real machine: it shows which way things move, in what order and on what time scale. The README
of this folder states the equations and their limits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .effects import Effects
from .rated_motor import RatedMotor
from .saturation import Saturation

_KELVIN = 273.15
_TAU = 2.0 * math.pi
_ROTOR_CLEARANCE_MM2 = 32.0
_BUILT_IN_RATIO = 2.6
_POLYTROPIC = 1.10
_EXPAND = (1.0 + (1.0 - _BUILT_IN_RATIO ** (1.0 - _POLYTROPIC)) / (_POLYTROPIC - 1.0)) / _BUILT_IN_RATIO
_MINIMUM_CAPACITY = 0.25
_FINE_S = 0.05
_ORIFICE = 0.7
_GAS_K = 325.0


def compression_work(volume_ratio: float, exponent: float) -> float:
    """Indicated work of closed-cell compression in p1 v1, less the inflow; the outflow adds p2 / (p1 Vi) (textbook)."""
    return float((volume_ratio ** (exponent - 1.0) - 1.0) / (exponent - 1.0) - 1.0)


_COMPRESS = compression_work(_BUILT_IN_RATIO, _POLYTROPIC)


def orifice_kg_s(area_mm2: float, up_kpa: float, down_kpa: float, gas_kj_kg: float) -> float:
    """Flow of vapour through an orifice, kg/s, signed from `up` to `down`; limited where it would choke."""
    if area_mm2 <= 0.0:
        return 0.0
    high, low, sign = (up_kpa, down_kpa, 1.0) if up_kpa >= down_kpa else (down_kpa, up_kpa, -1.0)
    drop = min(high - low, 0.45 * high)
    return sign * _ORIFICE * area_mm2 * 1e-6 * math.sqrt(2.0 * high / gas_kj_kg * drop * 1e3)


@dataclass(slots=True)
class Drive:
    """What the controls ask of the machine at one instant, as hydraulic and electrical effects (not coil states)."""

    motor: bool = False
    reduced: bool = False
    load: bool = False
    unload: bool = False
    bypass_shut: bool = False
    feeding: bool = False
    heater: bool = True


@dataclass(frozen=True, slots=True)
class Size(RatedMotor):
    """Nameplate and geometry of one machine."""

    rated_amps: float
    volts: float
    hertz: float
    locked_rotor_ratio: float
    no_load_ratio: float
    plenum_m3: float
    bypass_mm2: float
    inertia_kg_m2: float
    reduced_current: float
    loop_kj_k: float


class Machine:
    """The state of the machine, moved on by `step`."""

    __slots__ = (
        "amps",
        "bypass_fraction",
        "capacity_pu",
        "condenser_c",
        "dissolved",
        "evaporator_c",
        "exv",
        "feed",
        "filter_drop_kpa",
        "flow",
        "mean_bypass_kg_s",
        "oil_c",
        "oil_dp_kpa",
        "oil_level",
        "plenum_kpa",
        "rated_flow",
        "rpm",
        "saturation",
        "size",
        "slide",
        "superheat_k",
        "swept_m3",
        "td_c",
        "torque_pu",
        "vibration",
        "water_in_c",
        "water_kw_k",
        "water_out_c",
        "winding_c",
    )

    size: Size
    saturation: Saturation
    rpm: float
    slide: float
    plenum_kpa: float
    evaporator_c: float
    condenser_c: float
    superheat_k: float
    capacity_pu: float

    def __init__(self, size: Size, line: Saturation, *, water_c: float, condenser_water_c: float) -> None:
        self.size, self.saturation = size, line
        low, high = line.pressure_kpa(3.0), line.pressure_kpa(40.0)
        per_m3_kpa = low * _COMPRESS + high / _BUILT_IN_RATIO
        self.swept_m3: float = 0.92 * size.shaft_kw / (per_m3_kpa * size.synchronous_rpm / 60.0)
        self.rated_flow: float = (
            self.swept_m3 * size.synchronous_rpm / 60.0 * low / (line.gas_constant_kj_kg_k * 283.0) * 0.9
        )
        self.evaporator_c, self.condenser_c = water_c, condenser_water_c + 1.0
        self.plenum_kpa = line.pressure_kpa(self.evaporator_c)
        self.water_in_c = self.water_out_c = water_c
        self.water_kw_k = self.cooling_kw / 5.5
        self.rpm = self.slide = self.amps = self.flow = self.feed = self.exv = self.oil_dp_kpa = self.torque_pu = 0.0
        self.bypass_fraction = 1.0
        self.superheat_k, self.td_c, self.oil_c, self.winding_c = 6.0, 40.0, 46.0, 30.0
        self.oil_level, self.dissolved, self.filter_drop_kpa, self.vibration = 72.0, 0.0, 0.0, 0.0
        self.mean_bypass_kg_s = self.capacity_pu = 0.0

    @property
    def cooling_kw(self) -> float:
        """Cooling at rated flow, kW (coefficient of performance near 3.9)."""
        return 3.9 * self.size.shaft_kw

    @property
    def suction_kpa(self) -> float:
        """Suction pressure, kPa absolute."""
        return self.saturation.pressure_kpa(self.evaporator_c)

    @property
    def condenser_kpa(self) -> float:
        """Pressure after the check valve, kPa absolute."""
        return self.saturation.pressure_kpa(self.condenser_c)

    def _gas_torque_nm(self, low: float, high: float) -> float:
        """Torque of the gas against forward rotation: indicated work of a fixed volume ratio, either way round."""
        if self.rpm > 0.0:
            work = low * _COMPRESS + high / _BUILT_IN_RATIO
        else:
            work = max(high * _EXPAND - low, 0.0) if self.rpm > -1.0 else high * _EXPAND - low
        swept = self.swept_m3 * (_MINIMUM_CAPACITY + (1.0 - _MINIMUM_CAPACITY) * self.slide / 100.0)
        sealing = min(1.0, 0.75 + abs(self.rpm) / 2000.0)
        return float(swept * work * 1e3 / _TAU * sealing)

    def _turn(self, dt: float, drive: Drive, fx: Effects, low: float, high: float) -> None:
        size = self.size
        rated, sync = size.rated_torque_nm, size.synchronous_rpm
        gas = self._gas_torque_nm(low, high) * fx.torque_factor
        drag = rated * (0.022 + 0.055 * abs(self.rpm) / sync) * fx.drag_factor
        if fx.seized:
            drag = 9.0 * rated
        volts = fx.volts_pu
        if drive.motor:
            field = -sync if fx.reversed_phases else sync
            ratio = self.rpm / field
            load_pu = (gas * (1.0 if field > 0 else -1.0) + drag) / rated
            if ratio > 0.95 and load_pu < 2.0 * volts**2:
                slip = 0.015 * max(load_pu, 0.0) / volts**2
                self.rpm = field * (1.0 - min(slip, 0.05))
                useful = math.sqrt(1.0 - size.no_load_ratio**2)
                self.amps = size.rated_amps * math.hypot(size.no_load_ratio * volts, useful * load_pu / volts)
                self.torque_pu = load_pu
                return
            slip = max(1.0 - ratio, 0.001)
            share = size.reduced_current if drive.reduced else 1.0
            pull = rated * 5.4 / (slip / 0.2 + 0.2 / slip) * share * volts**2 * (1.0 if field > 0 else -1.0)
            self.accelerate(dt, pull - gas, drag)
            self.amps = size.rated_amps * size.locked_rotor_ratio * share * volts * slip / math.sqrt(slip * slip + 0.03)
            self.torque_pu = abs(pull) / rated
            return
        self.amps = self.torque_pu = 0.0
        if self.rpm or gas > drag:
            self.accelerate(dt, -gas, drag)

    def accelerate(self, dt: float, torque: float, drag: float) -> None:
        """Turn the shaft for ``dt`` s by a torque, N m; drag only ever brakes, and holds a shaft that stands."""
        scale = 60.0 / _TAU / self.size.inertia_kg_m2 * dt
        turned = self.rpm + torque * scale
        loss = drag * scale
        self.rpm = 0.0 if abs(turned) <= loss else turned - math.copysign(loss, turned)

    def _swept_flow(self, low: float, high: float) -> float:
        gas = self.saturation.gas_constant_kj_kg_k
        share = _MINIMUM_CAPACITY + (1.0 - _MINIMUM_CAPACITY) * self.slide / 100.0
        volume = self.swept_m3 * share * self.rpm / 60.0
        if self.rpm >= 0.0:
            return volume * low / (gas * (_KELVIN + self.evaporator_c + self.superheat_k)) * 0.95
        return volume / _BUILT_IN_RATIO * high / (gas * _GAS_K)

    def _plenum(self, dt: float, fx: Effects, low: float, cond: float) -> tuple[float, float]:
        """Move the plenum pressure on; return mass drawn from the evaporator and given to the condenser, kg/s."""
        gas = self.saturation.gas_constant_kj_kg_k
        warm, gain = gas * _GAS_K, gas * _GAS_K / self.size.plenum_m3
        opening = self.bypass_fraction * self.size.bypass_mm2
        if self.rpm == 0.0 and opening > 0.0 and abs(self.plenum_kpa - low) < 0.15 * cond and dt > _FINE_S:
            leak = fx.check_leak_mm2
            through = orifice_kg_s(leak, cond, low, warm)
            self.plenum_kpa = low + (cond - low) * leak * leak / (leak * leak + opening * opening)
            return -through, -through
        quick = opening == 0.0 and self.rpm > 0.0 and self.plenum_kpa >= cond
        parts = 1 if quick else max(1, math.ceil(dt / _FINE_S - 1e-9))
        h = dt / parts
        drawn = given = bypassed = 0.0
        for _ in range(parts):
            high = self.plenum_kpa
            swept = self._swept_flow(low, high)
            back = orifice_kg_s(_ROTOR_CLEARANCE_MM2, high, low, warm)
            by = orifice_kg_s(opening, high, low, warm)
            room = 0.6 * abs(high - low) / (gain * h)
            back, by = max(-room, min(room, back)), max(-room, min(room, by))
            feed = orifice_kg_s(fx.check_leak_mm2, cond, high, warm) if high < cond else 0.0
            feed = min(feed, 0.6 * max(cond - high, 0.0) / (gain * h))
            if self.rpm > 0.0 and high < low * 0.3:
                back = min(back, 0.0)
            high += gain * h * (swept - back - by + feed)
            lift = cond + 4.0 + 9.0 * (max(swept, 0.0) / self.rated_flow) ** 2
            valve = 0.0
            if high > lift:
                valve = (high - lift) / (gain * h)
                high = lift
            self.plenum_kpa = max(high, 15.0)
            drawn += swept - back - by
            given += valve - feed
            bypassed += by
        self.mean_bypass_kg_s = bypassed / parts
        return drawn / parts, given / parts

    def _slide_moves(self, dt: float, drive: Drive, fx: Effects) -> None:
        if fx.slide_stuck_at is not None:
            self.slide += max(-4.0 * dt, min(4.0 * dt, fx.slide_stuck_at - self.slide)) if fx.slide_settles else 0.0
            return
        authority = max(0.0, min(1.4, self.oil_dp_kpa / 300.0))
        rate = 0.0
        if drive.load:
            rate += 100.0 / 55.0 * authority * fx.load_factor
        if drive.unload:
            rate -= 100.0 / 38.0 * fx.unload_factor
        if authority > 0.2 and drive.motor:
            rate += fx.slide_drift_pc_min / 60.0
        self.slide = max(0.0, min(100.0, self.slide + rate * dt))

    def _feeds(self, dt: float, drive: Drive, fx: Effects, clock_s: float) -> None:
        capacity = max(self.flow, 0.0) / self.rated_flow
        self.capacity_pu = capacity
        if drive.feeding and self.rpm > 0.0:
            wanted = 62.0 * max(capacity, 0.12) / max(fx.charge, 0.05) ** 1.6
            opening = min(100.0, wanted) if fx.exv_fixed is None else fx.exv_fixed
            swing = fx.hunt_k / 8.0 * math.sin(_TAU * clock_s / max(fx.hunt_period_s, 1.0)) if fx.hunt_k else 0.0
            target = max(4.0, min(100.0, opening * (1.0 + swing)))
            self.exv += (target - self.exv) * min(1.0, dt / 3.0)
            supply = min(1.0, max(self.exv, 2.0) / max(wanted, 1.0))
        else:
            shut = fx.exv_at_rest
            self.exv += (shut - self.exv) * min(1.0, dt / 2.0)
            supply = 0.02
        self.feed += (supply - self.feed) * min(1.0, dt / 9.0)
        lag = fx.hunt_k * math.sin(_TAU * clock_s / max(fx.hunt_period_s, 1.0) - 1.1) if fx.hunt_k else 0.0
        dry = 24.0 * max(0.0, 1.0 - self.feed) if drive.feeding else 10.0 * max(0.0, 1.0 - self.feed)
        goal = max(0.0, (6.0 + dry - lag) * (1.0 - fx.liquid))
        self.superheat_k += (goal - self.superheat_k) * min(1.0, dt / 10.0)

    def _heats(self, dt: float, drive: Drive, fx: Effects, drawn: float, given: float, low: float, cond: float) -> None:
        size, gas = self.size, self.saturation.gas_constant_kj_kg_k
        per_kg = self.cooling_kw / self.rated_flow
        unit = self.cooling_kw / 500.0
        running = drive.motor and self.rpm > 0.0
        ua = 105.0 * unit * (max(0.04, self.feed) * fx.evaporator_factor if running else 0.12)
        exchanged = ua * ((self.water_in_c + self.water_out_c) / 2.0 - self.evaporator_c)
        bleed = 3.0 * orifice_kg_s(fx.exv_bleed_mm2, cond, low, gas * _GAS_K) if not running else 0.0
        self.evaporator_c += dt / (1000.0 * unit) * (exchanged - drawn * per_kg + bleed * per_kg * 0.8)
        uac = 84.0 * unit * (fx.condenser_factor if running else 0.05)
        rejected = uac * (self.condenser_c - fx.condenser_water_c)
        self.condenser_c += dt / (1500.0 * unit) * (given * per_kg * 1.25 - rejected - bleed * per_kg)
        self.water_out_c += (self.water_in_c - exchanged / self.water_kw_k - self.water_out_c) * min(1.0, dt / 12.0)
        taken = fx.load_kw * max(
            0.0, min(1.0, (23.0 - self.water_in_c) / 8.0)
        )  # warm water takes less heat from the coils
        self.water_in_c += dt / size.loop_kj_k * (taken - self.water_kw_k * (self.water_in_c - self.water_out_c))

    def _temperatures(self, dt: float, drive: Drive, fx: Effects, low: float) -> None:
        if drive.motor and self.rpm > 0.0:
            high_c = self.saturation.temperature_c(max(self.plenum_kpa, 20.0))
            lift = max(high_c - self.evaporator_c, 0.0)
            part = 1.0 / max(0.45, min(1.0, self.capacity_pu + 0.25))
            warm = self.saturation.isentropic_superheat_k * lift / 35.0 + 0.8 * self.superheat_k + 13.0 * part
            again = self.mean_bypass_kg_s / max(self.mean_bypass_kg_s + max(self.flow, 0.0), 0.05)
            wet = max(fx.liquid, self.dissolved * 0.9)
            superheat = (warm + 45.0 * again + fx.discharge_extra_k) * (1.0 - wet) + 1.5 * wet
            self.td_c += (high_c + superheat - self.td_c) * min(1.0, dt / 45.0)
            goal = self.td_c - 4.0 - 12.0 * wet
            self.oil_c += (goal - self.oil_c) * min(1.0, dt / 260.0)
            self.dissolved *= 1.0 - min(1.0, dt / 170.0)
        else:
            shell = 0.6 * fx.ambient_c + 0.4 * self.evaporator_c
            goal = 49.0 if drive.heater and fx.heater_works else max(shell, self.evaporator_c + 1.0)
            self.oil_c += (goal - self.oil_c) * min(1.0, dt / (3600.0 if fx.heater_works else 5400.0))
            self.td_c += (self.oil_c - 2.0 - self.td_c) * min(1.0, dt / 900.0)
            cold = max(0.0, min(1.0, (12.0 - (self.oil_c - self.evaporator_c)) / 10.0))
            self.dissolved += (cold - self.dissolved) * min(1.0, dt / 7200.0)
        share = self.amps / self.size.rated_amps
        base = self.evaporator_c + self.superheat_k if drive.motor else fx.ambient_c
        goal = base + (52.0 * share * share * fx.winding_factor if drive.motor else 0.0)
        self.winding_c += (min(goal, 320.0) - self.winding_c) * min(1.0, dt / (420.0 if drive.motor else 1500.0))

    def _oil(self, dt: float, drive: Drive, fx: Effects, low: float, clock_s: float) -> None:
        lift = max(0.0, self.plenum_kpa - low)
        thick = max(0.6, min(2.5, 1.0 + (45.0 - self.oil_c) / 40.0))
        flowing = min(1.0, lift / 120.0)
        clean = 28.0 * thick * flowing
        self.filter_drop_kpa = min(0.97 * lift, clean * (1.0 + fx.filter_plugging))
        foam = (
            self.dissolved * (0.72 + 0.2 * math.sin(clock_s * 1.9) * math.sin(clock_s * 0.37)) if drive.motor else 0.0
        )
        level_goal = fx.oil_level_pc + (16.0 * self.dissolved if drive.motor else 0.0)
        self.oil_level += (level_goal - self.oil_level) * min(1.0, dt / 20.0)
        starved = max(0.0, min(1.0, (22.0 - self.oil_level) / 14.0))
        starved *= 0.86 + 0.14 * math.sin(clock_s * 0.9) * math.sin(clock_s * 0.23)
        goal = max(0.0, 0.93 * lift - self.filter_drop_kpa - 22.0 * flowing) * max(0.0, 1.0 - starved - foam)
        self.oil_dp_kpa += (goal - self.oil_dp_kpa) * min(1.0, dt / 1.6)

    def step(self, dt: float, drive: Drive, fx: Effects, clock_s: float) -> None:
        """Move the machine on by `dt` seconds (at most 0.05 s while the shaft gains or loses speed)."""
        low, cond = self.suction_kpa, self.condenser_kpa
        self.bypass_fraction = max(0.0 if drive.bypass_shut else 1.0, fx.bypass_leak)
        if self.rpm or drive.motor or self.plenum_kpa > 1.3 * low:
            self._turn(dt, drive, fx, low, self.plenum_kpa)
        else:
            self.amps = 0.0
        drawn, given = self._plenum(dt, fx, low, cond)
        self.flow += (drawn - self.flow) * min(1.0, dt / 0.3)
        self._slide_moves(dt, drive, fx)
        self._feeds(dt, drive, fx, clock_s)
        self._heats(dt, drive, fx, drawn, given, low=low, cond=cond)
        self._temperatures(dt, drive, fx, low)
        self._oil(dt, drive, fx, low, clock_s)
