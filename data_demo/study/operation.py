"""The controls through time: rest, start, run, stop, trip; each moves the plant and writes into the ledger."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from .builds import Build
from .capacity import LEAST_HERTZ_SHARE, Capacity, Part
from .effects import Effects
from .faults import FAULTS
from .ledger import Ledger
from .onset import Acting, effects_at
from .plant import Plant
from .protection import Protections
from .slide import moved, rate_pc_s
from .stop import coast_down, run_up
from .surroundings import Surroundings

PRE_LUBE_S = 15.0
BYPASS_SHUTS_S = 24.0
UNLOAD_RELEASE_S = 36.0
LOADS_FROM_S = 44.0
UNLOAD_LIMIT_S = 80.0
PUMP_DOWN_S = 20.0
UNLOAD_AFTER_S = 60.0
ANTI_RECYCLE_S = 420.0
COARSE_S = 12.0
_TRIPS_TO_LOCK = 3


class Operation:
    """One machine operated through its windows."""

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
        self.cuts: list[float] = []
        self.manual: list[tuple[float, float]] = []
        self.phase: tuple[float, float] | None = None  # until when, and how much of a phase is lost
        self.welded_s = 0.0

    # -- small things -------------------------------------------------------------------------------------------

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

    # -- rest ---------------------------------------------------------------------------------------------------

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

    # -- start --------------------------------------------------------------------------------------------------

    def start(self) -> bool:
        """Pre-lube, bring up, wait unloaded until loading may begin; False where it tripped on the way."""
        build, plant, ledger = self.build, self.plant, self.ledger
        fx = self.fx()
        ledger.put("run_command", self.t, on=True)
        self.shut(on=False)
        self.coils(load=False, unload=True)
        ledger.put("oil_pump_status", self.t, on=build.oil_pump)
        ledger.enter(self.t, "rest")
        self._pre_lube(fx)
        self.motor_on_s = self.t
        ledger.put("oil_heater", self.t, on=False)
        ledger.enter(self.t, "start")
        self.capacity.begin()
        self.protections.clear()
        if build.bypass == "at-start":
            self.shut(on=True)
        self._note_start(fx)
        backward = any(one.fault == "wrong-phase-sequence" and one.share(self.t) > 0.0 for one in self.faults)
        if not self._bring_up(fx, backward=backward):
            return False
        self._settle(fx)
        while self.t - self.motor_on_s < LOADS_FROM_S - 1e-6:
            if not self._start_part():
                return False
        return True

    def _pre_lube(self, fx: Effects) -> None:
        plant, until = self.plant, self.t + PRE_LUBE_S
        while self.t < until - 1e-6:
            plant.rest_step(self.t, 5.0, fx, opening=self.opening(fx, self.t))
            if self.build.oil_pump:
                plant.oil_kpa = 170.0 * fx.oil_factor
            rate = rate_pc_s(self.build, fx, load=False, unload=True, oil_kpa=plant.oil_kpa, running=False)
            plant.slide = moved(plant.slide, rate * self.build.has_slide, 5.0, fx)
            self.t += 5.0
            self.keep(fx)

    def _note_start(self, fx: Effects) -> None:
        plant = self.plant
        self.ledger.put("run_status", self.t, on=True)
        self.ledger.say(self.t, "RUN", "ON", "Compressor started")
        plant.volts = 1.0
        self.ledger.starts.append(
            {
                "time_s": round(self.t, 2),
                "slide_pc": round(plant.slide, 1),
                "unloaded": "yes" if plant.slide < 25.0 or not self.build.has_slide else "no",
                "previous_stop": self.last_kind,
                "settled_amps": None,
                "ratio": None,
                "run_up_s": None,
                "backward": False,
            }
        )

    def _bring_up(self, fx: Effects, *, backward: bool) -> bool:
        plant, begun, top = self.plant, self.t, 0.0

        def keep(age: float) -> None:
            nonlocal top
            self.t = begun + age
            top = max(top, plant.amps)
            self.keep(fx)

        longest = 18.0 if backward else 16.0
        took = run_up(
            plant, fx, self.opening(fx, self.t), keep, backward=backward, seized=self.seized, longest_s=longest
        )
        self.t = begun + took
        told = self.ledger.starts[-1]
        told["inrush_amps"] = round(top * self.build.rated_amps, 1)
        told["backward"] = backward
        if backward:
            self.trip("Low oil differential" if self.rng.random() < 0.6 else "Phase sequence")
            return False
        if took >= longest - 1e-6:
            self.trip("Motor overload on start")
            return False
        told["run_up_s"] = round(took, 2)
        return True

    def _settle(self, fx: Effects) -> None:
        """The drive holds its least speed; otherwise nothing."""
        if self.build.has_drive:
            self._speed(LEAST_HERTZ_SHARE, fx)

    def _speed(self, share: float, fx: Effects) -> None:
        actual = min(share * fx.hertz_factor, fx.speed_most)
        self.plant.hertz = self.build.hertz * actual
        self.plant.rpm = self.build.synchronous_rpm * actual * 0.985

    def _start_part(self) -> bool:
        """One step of the unloaded part of a start."""
        fx, age = self.fx(), self.t - self.motor_on_s
        if age >= BYPASS_SHUTS_S - 1e-6:
            self.shut(on=True)
        loads = fx.load_in_start and 9.0 < age < UNLOAD_RELEASE_S
        release = 0.0 if not self.build.unload_energised_unloads else UNLOAD_RELEASE_S
        unload = age < (release or UNLOAD_RELEASE_S) - 1e-6
        if self.build.capacity == "steps" or self.build.capacity == "three-way":
            unload = True
        self.coils(load=loads, unload=unload)
        marks = [mark - age for mark in (9.01, BYPASS_SHUTS_S, UNLOAD_RELEASE_S, LOADS_FROM_S) if mark - age > 1e-6]
        dt = min(2.0, *marks)
        self._note_settled(age)
        return self._advance(dt, loads, unload, fx, feeding=True)

    def _note_settled(self, age: float) -> None:
        told = self.ledger.starts[-1]
        if told["settled_amps"] is None and age > 10.0:
            amps = self.plant.amps * self.build.rated_amps
            told["settled_amps"], told["ratio"] = round(amps, 1), round(self.plant.amps, 4)

    def _advance(
        self, dt: float, load: bool, unload: bool, fx: Effects, *, feeding: bool, pumping: bool = False
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

    # -- run ----------------------------------------------------------------------------------------------------

    def run(self, until: float) -> str:
        """Follow the load until a time; return `demand`, `cold`, or `trip`."""
        self.cold_s = 0.0
        while self.t < until - 1.0:
            struck = self._struck()
            if struck:
                return struck
            for part in self.capacity.plan(self._error(), self.plant.slide):
                if not self._part(part):
                    return "trip"
            self.cold_s = self.cold_s + 10.0 if self.plant.water_out < self._setpoint() - 2.2 else 0.0
            if self.cold_s > 60.0:
                return "cold"
        return "demand"

    def _setpoint(self) -> float:
        return self.around.setpoint_c(self.t)

    def _error(self) -> float:
        error = self.plant.water_out - self._setpoint()
        ahead = error + 2.5 * (error - self.error_was)
        self.error_was = error
        for begin, end in self.manual:  # by hand: up, down, up
            if begin <= self.t < end:
                return 4.0 if (self.t - begin) % 480.0 < 240.0 else -4.0
        limited = not any(one.fault == "motor-overload" and one.share(self.t) > 0.0 for one in self.faults)
        if limited and self.plant.amps > 1.04:
            return min(ahead, -1.0)
        if limited and self.plant.amps > 0.99:
            return min(ahead, 0.0)
        return ahead

    def _part(self, part: Part) -> bool:
        left = part.seconds
        self.coils(load=part.load, unload=part.unload)
        self.ledger.enter(self.t, part.state)
        while left > 1e-6:
            fx = self.fx()
            longest = 2.0 if self.protections.pending() else 8.0 if fx.hunt_k else COARSE_S
            if self.build.has_drive:
                self._speed(part.speed, fx)
            dt = min(left, longest)
            if not self._advance(dt, part.load and not part.latched, part.unload, fx, feeding=True):
                return False
            left -= dt
        return True

    def _struck(self) -> str:
        from .strikes import cut_power, strike

        while self.cuts and self.t >= self.cuts[0]:
            self.cuts.pop(0)
            cut_power(self)
            return "trip"
        while self.strikes and self.t >= self.strikes[0][0]:
            _, one = self.strikes.pop(0)
            if strike(self, one, FAULTS[one.fault].amount(one.severity, one.share(self.t))):
                return "trip"
        return ""

    # -- stop ---------------------------------------------------------------------------------------------------

    def stop(self) -> None:
        """Unload, pump down, switch off, coast."""
        fx = self.fx()
        self.ledger.put("run_command", self.t, on=False)
        if not fx.no_unload_dwell and self._unloads() and self.build.pump_down:
            self._pump_down()
        if self.ledger.is_on("run_status"):
            self._weld()
        if self.ledger.is_on("run_status"):
            self._off("normal", "")

    def _unloads(self) -> bool:
        """Unload before the stop; False where it tripped meanwhile."""
        begun = self.t
        self.ledger.enter(self.t, "unload")
        while self.t - begun < UNLOAD_LIMIT_S:
            fx = self.fx()
            if self.build.has_drive:
                self.capacity.speed = max(LEAST_HERTZ_SHARE, self.capacity.speed - 0.08)
                self._speed(self.capacity.speed, fx)
            if self.build.capacity == "steps":
                self.capacity.step = 0
            self.coils(load=False, unload=True)
            if not self._advance(3.0, False, True, fx, feeding=True):
                return False
            slow = not self.build.has_drive or self.capacity.speed <= LEAST_HERTZ_SHARE + 1e-6
            if (self.plant.slide <= 4.0 or not self.build.has_slide) and slow:
                break
        return True

    def _pump_down(self) -> None:
        begun = self.t
        self.ledger.enter(self.t, "stop")
        while self.t - begun < PUMP_DOWN_S - 1e-6:
            age = self.t - begun
            opens = PUMP_DOWN_S - self.build.bypass_early_s
            if self.build.bypass_early_s and age >= opens - 1e-6:
                self.shut(on=False)
            self.coils(load=False, unload=True)
            if not self._advance(2.0, False, True, self.fx(), feeding=False, pumping=True):
                return

    def _weld(self) -> None:
        """Contacts that stay closed after the command fell."""
        if self.welded_s <= 0.0:
            return
        until, self.welded_s = self.t + self.welded_s, 0.0
        self.coils(load=False, unload=True)
        self.shut(on=False)
        self.ledger.say(self.t, "RUN", "OFF", "Compressor stopped")
        self.ledger.put("run_status", self.t, on=False)
        while self.t < until:
            self._advance(2.0, False, True, self.fx(), feeding=False, pumping=True)
        self._off("normal", "", told=True)

    def trip(self, text: str) -> None:
        """Open the contactor, drop every solenoid, report, lock out."""
        self.ledger.say(self.t, "TRIP", "ALARM", text)
        self.tripped, self.trips = text, self.trips + 1
        locked = self.trips >= _TRIPS_TO_LOCK
        self.ready_s = math.inf if locked else self.t + 60.0 * self.rng.uniform(18.0, 40.0)
        self._off("trip", text)

    def _off(self, kind: str, text: str, *, told: bool = False) -> None:
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

    # -- whole --------------------------------------------------------------------------------------------------

    def window(self, begin: float, end: float, spans: Sequence[tuple[float, float]]) -> None:
        """One recorded window with its spans of demand."""
        self.t = begin
        if self.ledger.rows:  # days have passed since the window before
            self.plant.reset(self.around.water_c)
            self.motor_off_s, self.ready_s, self.trips, self.tripped = begin - 7200.0, 0.0, 0, ""
        self.ledger.enter(begin, "rest")
        self.ledger.put("run_status", begin, on=False)
        self.coils(load=False, unload=not self.build.unload_energised_unloads)
        self.shut(on=False)
        self.keep(self.fx())
        for start, until in spans:
            self.rest(max(start, self.t))
            while self.t < until - 240.0:
                if self.ready_s > self.t:
                    if self.ready_s > until - 240.0:
                        break
                    self.rest(self.ready_s)
                self._cycle(until)
        self.rest(end)

    def _cycle(self, until: float) -> None:
        fx = self.fx()
        goal = until if fx.cycle_minutes is None else min(until, self.t + 60.0 * fx.cycle_minutes[0])
        if not self.start():
            return
        ended = self.run(goal)
        if ended != "trip":
            self.stop()
        if ended == "cold":
            self.ready_s = max(self.ready_s, self.t + 600.0)
