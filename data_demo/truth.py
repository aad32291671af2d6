"""What truly happened in a run: starts, stops, states, as the generator knows them."""

from __future__ import annotations

from dataclasses import dataclass, field

from .controller import Controller
from .machine import Drive, Machine

_TURNS_BACK_RPM = -30.0
_STATES = {"run": "hold", "unloading": "unload"}


@dataclass(slots=True)
class Ledger:
    """Watches a run step by step and keeps what the exports may or may not show."""

    rated_amps: float
    starts: list[dict[str, object]] = field(default_factory=list)
    stops: list[dict[str, object]] = field(default_factory=list)
    states: list[dict[str, object]] = field(default_factory=list)
    drop_outs: list[dict[str, object]] = field(default_factory=list)
    motor: bool = False
    dropped: bool = False
    sum_as: float = 0.0
    time_as: float = 0.0
    inrush: float = 0.0
    settled: bool = True
    last_s: float = 0.0
    peak_rpm: float = 0.0
    reverse_s: float = 0.0
    first_difference_kpa: float = 0.0

    def note(self, t: float, m: Machine, drive: Drive, c: Controller, seen: dict[str, float]) -> None:
        """Take in the machine after one step that ended at `t` seconds."""
        dt, self.last_s = t - self.last_s, t
        if drive.motor != self.motor:
            self.motor = drive.motor
            if drive.motor and self.dropped:
                self.drop_outs[-1]["until_s"], self.dropped = round(t - dt, 2), False
            elif not drive.motor and c.drive.motor:  # open against its command: an event of the contactor
                self.drop_outs.append({"time_s": round(t - dt, 2), "until_s": None})
                self.dropped = True
            elif drive.motor:
                self._began(t - dt, m, c)
            else:
                self._ended(t - dt, m, c)
        if drive.motor:
            self._settles(t, dt, m, drive, c, seen)
        elif self.stops and not self.dropped:
            self._coasts(t, dt, m, drive)
        state = c.mode
        if state == "run":
            state = "load" if drive.load else "unload" if drive.unload else "hold"
        state = _STATES.get(state, state)
        if not self.states or self.states[-1]["state"] != state:
            self.states.append({"state": state, "from_s": round(t - dt, 2)})

    def _began(self, t: float, m: Machine, c: Controller) -> None:
        before = self.stops[-1]["kind"] if self.stops else "unknown"
        self.starts.append(
            {
                "time_s": round(t, 2),
                "slide_at_start_pc": round(m.slide, 1),
                "inrush_amps": 0.0,
                "settled_amps": None,
                "ratio": None,
                "unloaded": "yes" if m.slide < 20.0 else "no",
                "previous_stop": before,
                "began_at_rpm": round(m.rpm, 1),
            }
        )
        self.sum_as = self.time_as = self.inrush = 0.0
        self.settled = False

    def _settles(self, t: float, dt: float, m: Machine, drive: Drive, c: Controller, seen: dict[str, float]) -> None:
        if self.settled:
            return
        start, age = self.starts[-1], t - float(str(self.starts[-1]["time_s"]))
        self.inrush = max(self.inrush, m.amps)
        start["inrush_amps"] = round(self.inrush, 1)
        turned = abs(m.rpm) > 0.97 * m.size.synchronous_rpm and not drive.reduced
        if age > 60.0 or drive.bypass_shut or drive.load or not drive.unload:
            self.settled = True
            return
        if turned:
            start.setdefault("run_up_s", round(age, 2))
            if age > float(str(start["run_up_s"])) + 1.0:
                self.sum_as, self.time_as = self.sum_as + seen["motor_amps"] * dt, self.time_as + dt
                mean = self.sum_as / self.time_as
                start["settled_amps"], start["ratio"] = round(mean, 2), round(mean / self.rated_amps, 4)
                start["slide_settled_pc"] = round(m.slide, 1)

    def _ended(self, t: float, m: Machine, c: Controller) -> None:
        self.peak_rpm = self.reverse_s = 0.0
        self.first_difference_kpa = m.plenum_kpa - m.suction_kpa
        self.stops.append(
            {
                "time_s": round(t, 2),
                "kind": "normal" if c.last_kind == "normal" else c.last_kind,
                "text": c.tripped,
                "slide_pc": round(m.slide, 1),
                "difference_kpa": round(self.first_difference_kpa, 1),
                "spin_down_s": None,
                "peak_reverse_rpm": 0.0,
                "reverse_s": 0.0,
                "time_to_37pc_s": None,
                "bypass_open_after_s": None,
                "began_backwards": m.rpm < _TURNS_BACK_RPM,
            }
        )

    def _coasts(self, t: float, dt: float, m: Machine, drive: Drive) -> None:
        stop = self.stops[-1]
        age = t - float(str(stop["time_s"]))
        if age > 120.0:
            return
        if stop["spin_down_s"] is None and m.rpm <= 0.0:
            stop["spin_down_s"] = round(age, 2)
        if m.rpm < _TURNS_BACK_RPM:
            self.reverse_s += dt
            self.peak_rpm = min(self.peak_rpm, m.rpm)
            stop["reverse_s"], stop["peak_reverse_rpm"] = round(self.reverse_s, 2), round(self.peak_rpm, 1)
        if stop["bypass_open_after_s"] is None and not drive.bypass_shut:
            stop["bypass_open_after_s"] = round(age, 2)
        if (
            stop["time_to_37pc_s"] is None
            and self.first_difference_kpa > 20.0
            and m.plenum_kpa - m.suction_kpa < 0.37 * self.first_difference_kpa
        ):
            stop["time_to_37pc_s"] = round(age, 2)

    def told(self) -> dict[str, object]:
        """The truth as plain data: lists of starts, stops and states, times in seconds of the run."""
        return {"starts": self.starts, "stops": self.stops, "states": self.states, "drop_outs": self.drop_outs}
