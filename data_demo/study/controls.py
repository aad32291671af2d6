"""The controls of one machine: what is in force, and how rest, running and motor-off move the plant."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from .builds import Build
from .capacity import Capacity
from .effects import Effects
from .ledger import Ledger
from .onset import Acting, effects_at
from .plant import Plant
from .protection import Protections
from .slide import moved, rate_pc_s
from .stop import coast_down
from .surroundings import Surroundings

UNLOAD_AFTER_S = 60.0
ANTI_RECYCLE_S = 420.0
_TRIPS_TO_LOCK = 3


class Controls:
    """One machine and its controls at one instant."""

    def __init__(self, build: Build, around: Surroundings, faults: Sequence[Acting], seed: int) -> None:
        self.build, self.around, self.faults = build, around, tuple(faults)
        self.plant, self.ledger = Plant(build, around), Ledger()
        around.cooling_kw = self.plant.cooling_kw
        self.capacity, self.protections = Capacity(build), Protections(build)
        self.rng = random.Random(f"operation {seed}")
        self.t, self.motor_on_s, self.motor_off_s, self.shut_off_s = 0.0, -1e9, -1e9, -1e9
        self.tripped, self.trips, self.ready_s, self.last_kind = "", 0, 0.0, "unknown"
        self.error_was, self.cold_s, self.seized, self.power_back_s = 0.0, 0.0, False, -1e9
        self.strikes = sorted((s, one) for one in self.faults for s in one.strikes_s) if self.faults else []
        self.cuts: list[tuple[float, float]] = []  # when, and how long until it may start again
        self.manual: list[tuple[float, float]] = []
        self.phase: tuple[float, float] | None = None  # until when, and how much of a phase is lost
        self.welded_s = 0.0

    def fx(self, t: float | None = None) -> Effects:
        """Effects now."""
        now = self.t if t is None else t
        fx = effects_at(self.build, self.faults, now)
        if self.phase is not None and now < self.phase[0]:
            lost = self.phase[1]
            fx.phase_amps = (1.0 + 0.73 * lost, 1.0 - lost, 1.0 + 0.62 * lost)
            fx.phase_volts = (1.0 - 0.03 * lost, 1.0 - 0.06 * lost, 1.0)
            fx.winding_k += 80.0 * lost
        return fx

    def coils(self, *, load: bool, unload: bool) -> None:
        """Set the effects of the slide's solenoids."""
        has = self.build.solenoids
        if "load_solenoid" in has:
            self.ledger.put("load_solenoid", self.t, on=load)
        if "unload_solenoid" in has:
            self.ledger.put("unload_solenoid", self.t, on=unload)

    def shut(self, *, on: bool) -> None:
        """Shut or open the bypass by command."""
        if not self.build.has_bypass:
            return
        if self.ledger.is_on("bypass_solenoid") and not on:
            self.shut_off_s = self.t
        self.ledger.put("bypass_solenoid", self.t, on=on)

    def opening(self, fx: Effects, t: float) -> float:
        """Share of the bypass that is open: by command, and late where the valve sticks."""
        if self.ledger.is_on("bypass_solenoid"):
            return 0.0
        return 0.0 if t - self.shut_off_s < fx.bypass_late_s else 1.0

    def keep(self, fx: Effects) -> None:
        """Keep the state of the plant now."""
        self.plant.command = self.capacity.command_pc(self.plant.slide) if self.plant.amps > 0.0 else 0.0
        self.ledger.keep(self.t, self.plant, fx)

    def rest(self, until: float) -> None:
        """Stand still until a time."""
        begun = self.t
        self.ledger.enter(self.t, "rest" if self.t - self.motor_off_s > 60.0 else "coast-down")
        vented = self.ledger.is_on("unload_solenoid") and self.build.unload_energised_unloads
        while self.t < until - 1e-6:
            fx, age = self.fx(), self.t - self.motor_off_s
            step = 5.0 if age < 180.0 else 20.0 if age < 1200.0 else 60.0
            if vented and age < UNLOAD_AFTER_S:
                step = min(step, UNLOAD_AFTER_S - age)
            step = max(min(step, until - self.t), 0.05)
            self.plant.volts = 0.0 if self.t < self.power_back_s else 1.0
            rate = rate_pc_s(
                self.build, fx, load=False, unload=self.ledger.is_on("unload_solenoid"), oil_kpa=0.0, running=False
            )
            self.plant.slide = moved(self.plant.slide, rate * self.build.has_slide, step, fx)
            self.plant.rest_step(self.t, step, fx, opening=self.opening(fx, self.t))
            self.t += step
            age = self.t - self.motor_off_s
            if vented and age >= UNLOAD_AFTER_S - 1e-6:
                self.coils(load=False, unload=False)
                vented = False
            if fx.bypass_at_rest and age > 120.0:
                self.shut(on=True)
            if self.tripped and self.t >= self.ready_s:
                self.ledger.say(self.t, "TRIP", "NORMAL", f"{self.tripped} reset")
                self.tripped = ""
            self.ledger.put("oil_heater", self.t, on=fx.heater_works)
            self.keep(fx)
            if age > 60.0:
                self.ledger.enter(max(begun, self.motor_off_s + 60.0), "rest")

    def _speed(self, share: float, fx: Effects) -> None:
        actual = min(share * fx.hertz_factor, fx.speed_most)
        self.plant.hertz = self.build.hertz * actual
        self.plant.rpm = self.build.synchronous_rpm * actual * 0.985

    def _advance(
        self, dt: float, fx: Effects, *, load: bool, unload: bool, feeding: bool, pumping: bool = False
    ) -> bool:
        """Move the running machine on; False where a protection opened."""
        plant = self.plant
        rate = rate_pc_s(self.build, fx, load=load, unload=unload, oil_kpa=plant.oil_kpa, running=True)
        rate *= self.build.has_slide
        if self.build.capacity == "steps" and feeding:
            goal = self.capacity.step_slide_pc()
            up = goal > plant.slide
            full = rate_pc_s(self.build, fx, load=up, unload=not up, oil_kpa=plant.oil_kpa, running=True)
            rate = math.copysign(min(abs(full), abs(goal - plant.slide) / dt), full)
        plant.slide = moved(plant.slide, rate, dt, fx)
        economise = plant.slide > 60.0 and self.t - self.motor_on_s > 60.0 and feeding
        if self.build.economiser:
            self.ledger.put("economiser_solenoid", self.t, on=economise)
        self.ledger.put("injection_solenoid", self.t, on=fx.injection or plant.td > 88.0)
        plant.run_step(self.t, dt, fx, opening=self.opening(fx, self.t), feeding=feeding, economise=economise)
        self.t += dt
        self.keep(fx)
        due = self.protections.due(plant, fx, dt, age_s=self.t - self.motor_on_s, pumping=pumping)
        if due:
            self.trip(due)
        return not due

    def trip(self, text: str) -> None:
        """Open the contactor, drop every solenoid, report, lock out."""
        self.ledger.say(self.t, "TRIP", "ALARM", text)
        self.tripped, self.trips = text, self.trips + 1
        locked = self.trips >= _TRIPS_TO_LOCK
        self.ready_s = math.inf if locked else self.t + 60.0 * self.rng.uniform(18.0, 40.0)
        self.switch_off("trip", text)

    def switch_off(self, kind: str, text: str, *, told: bool = False) -> None:
        """Motor off and coast; the unload valve vents for its dwell where there is power to hold it."""
        plant, ledger, begun, fx = self.plant, self.ledger, self.t, self.fx()
        self.last_kind, self.motor_off_s = kind, self.t
        ledger.put("run_command", self.t, on=False)
        if not told:
            ledger.say(self.t, "RUN", "OFF", "Compressor stopped")
        ledger.put("run_status", self.t, on=False)
        self.shut(on=False)
        powered = kind != "power-loss"
        dwell = powered and not fx.no_unload_dwell
        self.coils(load=False, unload=dwell or not self.build.unload_energised_unloads)
        for role in ("economiser_solenoid", "injection_solenoid", "oil_pump_status"):
            if ledger.edges[role]:
                ledger.put(role, self.t, on=False)
        ledger.enter(self.t, "coast-down")
        told_stop: dict[str, object] = {
            "time_s": round(begun, 2),
            "kind": kind,
            "text": text,
            "slide_pc": round(plant.slide, 1),
            "difference_kpa": round(plant.pd - plant.ps, 1),
            "bypass_open_after_s": round(max(0.0, self.shut_off_s + fx.bypass_late_s - begun), 2)
            if self.build.has_bypass
            else None,
            "check_leak_mm2": round(fx.check_leak_mm2, 1),
        }

        def keep(age: float) -> None:
            self.t = begun + age
            self.keep(fx)

        coast, took = coast_down(plant, fx, lambda age: self.opening(fx, begun + age), keep, seized=self.seized)
        self.t = begun + took
        told_stop |= {
            "spin_down_s": coast.spin_down_s,
            "peak_reverse_rpm": coast.peak_reverse_rpm,
            "reverse_s": coast.reverse_s,
            "began_backward": coast.began_backward,
            "time_to_37pc_s": coast.time_to_37pc_s,
        }
        ledger.stops.append(told_stop)
        ready = begun + ANTI_RECYCLE_S
        if fx.cycle_minutes is not None:
            ready = begun + 60.0 * fx.cycle_minutes[1]
        self.ready_s = max(self.ready_s, ready)
