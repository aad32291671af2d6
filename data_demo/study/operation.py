"""A machine through its recorded windows: starts when cooling is asked for, follows the load, stops, trips, waits."""

from __future__ import annotations

from collections.abc import Sequence

from .capacity import Part
from .faults import FAULTS
from .starting import Starting
from .stopping import Stopping

COARSE_S = 12.0


class Operation(Starting, Stopping):
    """One machine operated through its windows."""

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
            if not self._advance(dt, fx, load=part.load and not part.latched, unload=part.unload, feeding=True):
                return False
            left -= dt
        return True

    def _struck(self) -> str:
        from .strikes import cut_power, strike

        while self.cuts and self.t >= self.cuts[0][0]:
            _, wait_s = self.cuts.pop(0)
            cut_power(self, wait_s)
            return "trip"
        while self.strikes and self.t >= self.strikes[0][0]:
            _, one = self.strikes.pop(0)
            if strike(self, one, FAULTS[one.fault].amount(one.severity, one.share(self.t))):
                return "trip"
        return ""

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
