"""A start: pre-lube, run-up under the starter, and the unloaded time until loading may begin."""

from __future__ import annotations

from .capacity import LEAST_HERTZ_SHARE
from .controls import Controls
from .effects import Effects
from .slide import moved, rate_pc_s
from .stop import run_up

PRE_LUBE_S = 15.0
BYPASS_SHUTS_S = 24.0
UNLOAD_RELEASE_S = 36.0
LOADS_FROM_S = 44.0


class Starting(Controls):
    """Controls that can start the machine."""

    def start(self) -> bool:
        """Pre-lube, bring up, wait unloaded until loading may begin; False where it tripped on the way."""
        build, ledger = self.build, self.ledger
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

    def _start_part(self) -> bool:
        """One step of the unloaded part of a start."""
        fx, age = self.fx(), self.t - self.motor_on_s
        if age >= BYPASS_SHUTS_S - 1e-6:
            self.shut(on=True)
        loads = fx.load_in_start and 9.0 < age < UNLOAD_RELEASE_S
        unload = age < UNLOAD_RELEASE_S - 1e-6
        if self.build.capacity == "steps" or self.build.capacity == "three-way":
            unload = True
        latched = self.build.hold == "load-on" and not unload
        self.coils(load=loads or latched, unload=unload)
        if not unload:
            self.ledger.enter(self.t, "hold")  # released, not loading yet
        marks = [mark - age for mark in (9.01, BYPASS_SHUTS_S, UNLOAD_RELEASE_S, LOADS_FROM_S) if mark - age > 1e-6]
        dt = min(2.0, *marks)
        self._note_settled(age)
        return self._advance(dt, fx, load=loads, unload=unload, feeding=True)

    def _note_settled(self, age: float) -> None:
        told = self.ledger.starts[-1]
        if told["settled_amps"] is None and age > 10.0:
            amps = self.plant.amps * self.build.rated_amps
            told["settled_amps"], told["ratio"] = round(amps, 1), round(self.plant.amps, 4)
