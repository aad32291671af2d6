"""A stop by command: unload, pump down, release the bypass, switch off; and contacts that do not open."""

from __future__ import annotations

from .capacity import LEAST_HERTZ_SHARE
from .controls import Controls

UNLOAD_LIMIT_S = 80.0
PUMP_DOWN_S = 20.0


class Stopping(Controls):
    """Controls that can stop the machine."""

    def stop(self) -> None:
        """Unload, pump down, switch off, coast."""
        fx = self.fx()
        self.ledger.put("run_command", self.t, on=False)
        if not fx.no_unload_dwell and self._unloads() and self.build.pump_down:
            self._pump_down()
        if self.ledger.is_on("run_status"):
            self._weld()
        if self.ledger.is_on("run_status"):
            self.switch_off("normal", "")

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
            if not self._advance(3.0, fx, load=False, unload=True, feeding=True):
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
            if not self._advance(2.0, self.fx(), load=False, unload=True, feeding=False, pumping=True):
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
            self._advance(2.0, self.fx(), load=False, unload=True, feeding=False, pumping=True)
        self.switch_off("normal", "", told=True)
