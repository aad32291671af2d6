"""The refrigerating plant around the rotors: evaporator, condenser, water, oil and heat, in steps of seconds.

Between the steps every quantity is taken as a straight line; stops and run-ups, where it is not, are stepped in `stop`.
"""

from __future__ import annotations

import math

from .builds import Build
from .effects import Effects
from .motor import drive_amps_pu, running_amps_pu
from .surroundings import Surroundings
from .thermodynamics import GAS_K, KELVIN, fluid, gas_torque_nm, orifice_kg_s, steady_plenum_kpa

COLUMNS = (
    "slide", "te", "tc", "ps", "pd", "pc", "rpm", "amps", "kw", "sh", "td", "oil_c", "winding_c", "liquid_c",
    "water_in", "water_out", "cw_in", "cw_out", "ambient", "level", "exv", "oil_kpa", "filter_kpa",
    "vibration", "hertz", "volts", "economiser_kpa", "ripple", "pa", "pb", "pc_phase", "va", "vb", "vc",
    "setpoint", "motor", "star", "command",
)  # fmt: skip
_APPROACH_K = {"flooded": 4.5, "falling-film": 3.5, "dry-expansion": 6.5}
_CONDENSER_TAU_S = {"water": 30.0, "air": 60.0, "evaporative": 75.0}
PUMP_KPA = 210.0
LINE_KPA = 25.0
CLEAN_FILTER_KPA = 22.0
HEATER_C = 50.0
REST_LOAD_SHARE = 0.3
"""Share of the load that still warms the loop while this machine rests: others carry the rest."""


class Plant:
    """State of one machine; `run_step` and `rest_step` move it on."""

    def __init__(self, build: Build, around: Surroundings) -> None:
        self.build, self.around = build, around
        self.fluid = fluid(build.refrigerant)
        dew, gas = self.fluid.dew, self.fluid.gas
        self.gas, self.warm = gas, gas * GAS_K
        low, high = dew.pressure_kpa(3.0), dew.pressure_kpa(48.0 if build.condenser == "air" else 40.0)
        # swept volume from the shaft power at the rated lift, full slide
        per = gas_torque_nm(1.0, build.synchronous_rpm, low, high)
        self.swept_m3 = 0.88 * build.rated_torque_nm / per
        self.rated_kg_s = self.swept_m3 * build.hertz * low / (gas * (KELVIN + 9.0)) * 0.9
        self.cooling_kw = self.rated_kg_s * self.fluid.latent_kj_kg
        self.clearance_mm2 = build.clearance_mm2 * build.shaft_kw / 100.0
        self.condenser_kj_k = 2.6 * self.cooling_kw
        self.ua = self.cooling_kw / _APPROACH_K[build.evaporator]
        self.water_kw_k = self.cooling_kw / 5.5
        self.loop_kj_k = 95.0 * self.cooling_kw
        self.reset(around.water_c)

    def reset(self, water_c: float) -> None:
        """A machine that has stood for hours."""
        around = self.around
        self.te = water_c
        self.tc = max(around.sink_c(0.0), water_c) + 1.0
        self.rpm, self.amps, self.kw, self.flow = 0.0, 0.0, 0.0, 0.0
        self.slide = 0.0 if self.build.has_slide else 100.0
        self.sh, self.td, self.oil_c, self.winding_c = 6.0, 42.0, HEATER_C - 2.0, 32.0
        self.water_in = self.water_out = water_c
        self.level, self.exv, self.oil_kpa, self.dissolved = 70.0, 0.0, 0.0, 0.0
        self.ps = self.fluid.dew.pressure_kpa(self.te)
        self.pd, self.pc = self.ps, self.fluid.dew.pressure_kpa(self.tc)
        self.hertz, self.volts, self.bypass_share, self.economised, self.star = 0.0, 1.0, 0.0, False, 0.0
        self.load_pu, self.command, self.cw_out = 0.0, 0.0, around.sink_c(0.0)

    def share(self) -> float:
        """Swept share at this slide position."""
        if not self.build.has_slide:
            return 1.0
        least = self.build.minimum_share
        return least + (1.0 - least) * self.slide / 100.0

    def row(self, t: float, fx: Effects) -> tuple[float, ...]:
        """State as one row in the order of `COLUMNS`."""
        around, running = self.around, self.amps > 0.0
        sub = 5.0 * max(0.0, min(1.0, (fx.charge - 0.55) / 0.4)) if running else 1.0
        liquid_c = self.tc - self.fluid.glide_k - sub
        pumped = self.oil_kpa > 1.0
        filter_kpa = (CLEAN_FILTER_KPA + fx.plug_kpa) * min(1.2, max(0.0, self.oil_kpa / 200.0)) if pumped else 0.0
        port = math.sqrt(self.ps * max(self.pd, self.ps)) * (1.04 if self.economised else 0.82) if running else self.ps
        one, two, three = fx.phase_amps
        va, vb, vc = fx.phase_volts
        level = (
            min(fx.level_pc, 70.0) + (4.0 * math.sin(t / 97.0) if running else 2.0) - 20.0 * self.dissolved * running
        )
        return (
            self.slide, self.te, self.tc, self.ps, self.pd, self.pc, self.rpm, self.amps, self.kw, self.sh, self.td,
            self.oil_c, self.winding_c, liquid_c, self.water_in, self.water_out, around.sink_c(t), self.cw_out,
            around.ambient_c(t), level, self.exv, self.oil_kpa, filter_kpa, fx.vibration_mm_s if self.rpm else 0.05,
            self.hertz, self.volts, port, fx.ripple_pu, one, two, three, va, vb, vc, around.setpoint_c(t),
            1.0 if running else 0.0, self.star, self.command,
        )  # fmt: skip

    def run_step(self, t: float, dt: float, fx: Effects, *, opening: float, feeding: bool, economise: bool) -> None:
        """Move on by `dt` seconds with the motor at speed.

        Parameters
        ----------
        opening
            Share of the bypass that is open by command.
        feeding
            Whether the expansion valve feeds (not in pump-down).
        economise
            Whether the controls ask for the economiser port.
        """
        build = self.build
        speed = self.rpm / build.synchronous_rpm
        volume = self.swept_m3 * self.share() * self.rpm / 60.0
        ratio = self.pd / self.ps
        efficiency = max(0.5, 0.95 - 0.011 * ratio - 0.08 * (1.0 - self.slide / 100.0) * build.has_slide)
        flow = volume * self.ps / (self.gas * (KELVIN + self.te + self.sh)) * efficiency
        area = max(opening, fx.bypass_leak) * build.bypass_mm2 if build.has_bypass else 0.0
        delivered = self.pc + 4.0 + 10.0 * (flow / self.rated_kg_s) ** 2
        held = steady_plenum_kpa(flow, area, self.ps, self.warm)
        if held < delivered:  # all of it goes round
            goal, round_kg = held, flow
            net = -orifice_kg_s(fx.check_leak_mm2, self.pc, held, self.warm)
        else:
            goal = delivered
            round_kg = min(flow, orifice_kg_s(area, delivered, self.ps, self.warm))
            net = flow - round_kg
        self.pd += (goal - self.pd) * (1.0 - math.exp(-dt / 0.8))
        self.flow, self.bypass_share = net, round_kg / max(flow, 1e-6)
        self._power(fx, speed)
        self._evaporate(t, dt, fx, net, feeding=feeding)
        self._economise(fx, asked=economise)
        self._condense(t, dt, fx, net)
        self._warm(dt, fx)
        self._oil(fx)

    def _power(self, fx: Effects, speed: float) -> None:
        build = self.build
        gas = gas_torque_nm(self.swept_m3 * self.share(), self.rpm, self.ps, self.pd)
        drag = build.rated_torque_nm * (0.022 + 0.055 * speed) * fx.drag_factor
        extra = 0.06 * fx.economiser_share if self.economised else 0.0
        self.load_pu = (gas * (1.0 + extra) + drag) / build.rated_torque_nm * fx.torque_factor
        if build.has_drive:
            self.amps = drive_amps_pu(build, self.load_pu, speed)
        else:
            slip = min(0.05, 0.015 * self.load_pu / max(self.volts, 0.5) ** 2)
            self.rpm = build.synchronous_rpm * (1.0 - slip)
            self.amps = running_amps_pu(build, self.load_pu, self.volts)
        self.kw = build.shaft_kw * self.load_pu * speed / 0.93

    def _evaporate(self, t: float, dt: float, fx: Effects, net: float, *, feeding: bool) -> None:
        latent, around = self.fluid.latent_kj_kg, self.around
        water_kw_k = self.water_kw_k * around.water_flow(t)
        mean = 0.5 * (self.water_in + self.water_out)
        short = max(0.0, 1.0 - fx.charge)
        ua = self.ua * (1.0 - 1.2 * short) * (0.35 + 0.65 * min(1.0, around.water_flow(t)))
        load = max(net, 0.0) * latent * (1.06 if self.economised else 1.0)
        if feeding:
            # the pressure follows the balance of heat in and gas out
            self.te += (mean - load / ua - self.te) * (1.0 - math.exp(-dt / 24.0))
        else:
            self.te -= 0.42 * dt * max(net, 0.0) / (0.3 * self.rated_kg_s)
        swing = fx.hunt_k * math.sin(math.tau * t / 80.0) if fx.hunt_k else 0.0
        self.te = max(self.te - 0.12 * swing * min(dt / 8.0, 1.0), -38.0)
        self.ps = self.fluid.dew.pressure_kpa(self.te)
        usual = 2.5 if self.build.evaporator != "dry-expansion" else 6.5
        goal = max(0.0, (usual + 22.0 * short + (0.0 if feeding else 5.0) - swing) * (1.0 - fx.liquid))
        self.sh += (goal - self.sh) * (1.0 - math.exp(-dt / 9.0))
        wanted = 62.0 * max(net / self.rated_kg_s, 0.1) / max(fx.charge, 0.1) ** 1.8
        if fx.hunt_k:
            wanted *= 1.0 + fx.hunt_k / 14.0 * math.sin(math.tau * t / 80.0 + 0.9)
        goal = (wanted if fx.exv_stuck_pc is None else max(wanted, fx.exv_stuck_pc)) if feeding else 0.0
        self.exv += (min(100.0, goal) - self.exv) * (1.0 - math.exp(-dt / 4.0))
        duty = ua * (mean - self.te) if feeding else 0.35 * load
        self.water(t, dt, duty, water_kw_k)

    def water(self, t: float, dt: float, duty_kw: float, water_kw_k: float) -> None:
        """Chilled water through the evaporator and round the loop."""
        self.water_out += (self.water_in - duty_kw / water_kw_k - self.water_out) * (1.0 - math.exp(-dt / 14.0))
        taken = self.around.load_kw(t) * max(0.0, min(1.0, (24.0 - self.water_in) / 8.0))
        if self.rpm == 0.0:
            taken *= REST_LOAD_SHARE
        self.water_in += dt / self.loop_kj_k * (taken - water_kw_k * (self.water_in - self.water_out))

    def _economise(self, fx: Effects, *, asked: bool) -> None:
        stuck = fx.economiser_stuck
        self.economised = self.build.economiser and (stuck == "open" or (asked and stuck != "shut"))
        if self.economised and fx.economiser_share < 0.5 and stuck != "open":
            self.economised = False

    def _condense(self, t: float, dt: float, fx: Effects, net: float) -> None:
        build, around = self.build, self.around
        heat = max(net, 0.0) * self.fluid.latent_kj_kg + self.kw
        rated = self.cooling_kw * 1.27
        sink = around.sink_c(t)
        neighbour = around.neighbour(t) if build.shared_circuit else 0.0
        part = (heat + 0.6 * rated * neighbour) / rated
        if build.condenser == "water":
            flow = fx.water_factor * around.cooling_flow(t)
            rise = 5.0 * part / flow
            goal = sink + 0.5 * rise + 4.0 * part / fx.condenser_factor / (0.4 + 0.6 * min(1.0, flow))
            self.cw_out += (sink + rise - self.cw_out) * (1.0 - math.exp(-dt / 15.0))
        else:
            reach = 13.0 if build.condenser == "air" else 9.5
            goal = max(sink + reach * part / fx.condenser_factor, 26.0)  # fans are staged down in the cool
            self.cw_out = sink + 0.6 * (goal - sink)
        self.tc += (goal - self.tc) * (1.0 - math.exp(-dt / _CONDENSER_TAU_S[build.condenser]))
        self.pc = self.fluid.dew.pressure_kpa(self.tc)

    def _warm(self, dt: float, fx: Effects) -> None:
        lift = max(self.fluid.dew.temperature_c(max(self.pd, 20.0)) - self.te, 0.0)
        part = 8.0 * (1.0 - self.slide / 100.0) if self.build.has_slide else 3.0
        dry = 0.6 * self.fluid.dew.isentropic_superheat_k * lift / 35.0 + 7.0 + part + 0.6 * self.sh
        wet = max(fx.liquid, 0.9 * self.dissolved)
        dry += 55.0 * self.bypass_share * (1.0 - math.exp(-lift / 15.0)) + fx.discharge_extra_k
        if self.economised:
            dry -= 2.5
        goal = self.fluid.dew.temperature_c(max(self.pd, 20.0)) + dry * (1.0 - wet) + 1.5 * wet
        self.td += (goal - self.td) * (1.0 - math.exp(-dt / 50.0))
        self.oil_c += (0.72 * self.td + 8.0 - 8.0 * wet - self.oil_c) * (1.0 - math.exp(-dt / 260.0))
        self.dissolved *= math.exp(-dt / 160.0)
        goal = 24.0 + 42.0 * self.amps**1.6 + 0.5 * self.te + fx.winding_k * min(1.3, self.amps)
        self.winding_c += (goal - self.winding_c) * (1.0 - math.exp(-dt / 320.0))

    def _oil(self, fx: Effects) -> None:
        lift = max(self.pd - self.ps, 0.0)
        source = lift + (PUMP_KPA if self.build.oil_pump else 0.0)
        thick = 1.0 + max(0.0, 38.0 - self.oil_c) / 30.0
        foam = 1.0 - 0.75 * self.dissolved
        lost = (LINE_KPA + (CLEAN_FILTER_KPA + fx.plug_kpa) * thick) * min(1.2, source / 200.0)
        self.oil_kpa = max(0.0, source - lost) * fx.oil_factor * foam

    def rest_step(self, t: float, dt: float, fx: Effects, *, opening: float) -> None:
        """Move on by `dt` seconds with the rotors at rest."""
        around, build, dew = self.around, self.build, self.fluid.dew
        self.rpm = self.amps = self.kw = self.hertz = self.oil_kpa = 0.0
        self.load_pu = self.flow = 0.0
        area = max(opening, fx.bypass_leak) * build.bypass_mm2 * build.has_bypass + self.clearance_mm2
        leak = fx.check_leak_mm2
        through = orifice_kg_s(leak * area / math.hypot(leak, area), self.pc, self.ps, self.warm) if leak else 0.0
        bleed = 3.0 * orifice_kg_s(fx.exv_bleed_mm2, self.pc, self.ps, self.warm)
        latent = self.fluid.latent_kj_kg
        if build.economiser and fx.economiser_stuck == "open":
            through += orifice_kg_s(14.0, self.pc, self.ps, self.warm)
        drop = (through + bleed) * latent * dt
        self.tc -= min(drop / self.condenser_kj_k, 0.5 * max(self.tc - self.te, 0.0))
        self.te += min(drop / (2.4 * self.cooling_kw), 0.5 * max(self.tc - self.te, 0.0))
        neighbour = around.neighbour(t) if build.shared_circuit else 0.0
        sink = around.sink_c(t) + (9.0 if neighbour else 0.0)
        tau = 25.0 if neighbour else 700.0 if around.pumps_run(t) else 2600.0
        self.tc += (sink + 0.5 - self.tc) * (1.0 - math.exp(-dt / tau))
        mean = 0.5 * (self.water_in + self.water_out)
        self.te += (mean - self.te) * (1.0 - math.exp(-dt / 150.0))
        self.ps, self.pc = dew.pressure_kpa(self.te), dew.pressure_kpa(self.tc)
        goal = self.ps + max(self.pc - self.ps, 0.0) * leak * leak / (leak * leak + area * area)
        self.pd += (goal - self.pd) * (1.0 - math.exp(-dt * area / 250.0 * 0.06 / build.plenum_m3 / 2.0))
        self.exv += ((12.0 if fx.exv_bleed_mm2 > 0.0 else 0.0) - self.exv) * (1.0 - math.exp(-dt / 3.0))
        self.water(t, dt, 0.02 * self.cooling_kw if mean > self.te else 0.0, self.water_kw_k * around.water_flow(t))
        self.cw_out += (around.sink_c(t) - self.cw_out) * (1.0 - math.exp(-dt / 120.0))
        warm = HEATER_C if fx.heater_works else max(around.ambient_c(t) - 2.0, self.te)
        self.oil_c += (warm - self.oil_c) * (1.0 - math.exp(-dt / 3600.0))
        self.td += (self.oil_c - 3.0 - self.td) * (1.0 - math.exp(-dt / 1100.0))
        self.winding_c += (around.ambient_c(t) + 4.0 - self.winding_c) * (1.0 - math.exp(-dt / 2400.0))
        self.sh += (max(around.ambient_c(t) - self.te, 0.0) * 0.5 - self.sh) * (1.0 - math.exp(-dt / 900.0))
        if fx.dissolves > 0.0:
            self.dissolved += (fx.dissolves - self.dissolved) * (1.0 - math.exp(-dt / 3600.0))
        if fx.leak_down_s > 0.0 and build.force == "spring-unloads" and build.has_slide and fx.stuck_pc is None:
            self.slide *= math.exp(-dt / fx.leak_down_s)
