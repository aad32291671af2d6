"""The controls of the demonstration machine: sequence, capacity pulses, protections, and what they report."""

from __future__ import annotations

from dataclasses import dataclass, field

from .control_events import Event
from .effects import Effects
from .machine import Drive, Machine

REST, START, RUN, UNLOADING, PUMPING, COASTING = "rest", "start", "run", "unloading", "stop", "coast-down"


@dataclass(frozen=True, slots=True)
class Settings:
    """Timers and limits of the controls, seconds, %, kPa, degC, as fractions of rated amps where named `_pu`."""

    pump_down: bool = True
    pump_down_s: float = 20.0
    bypass_on_s: float = 28.0
    bypass_early_s: float = 0.0
    unload_release_s: float = 38.0
    load_from_s: float = 45.0
    unload_limit_s: float = 75.0
    unload_after_stop_s: float = 60.0
    post_trip_unload: bool = True
    reduced_s: float = 5.0
    setpoint_c: float = 7.0
    overload_pu: float = 1.12
    overload_s: float = 8.0
    start_overload_pu: float = 0.82
    start_limit_s: float = 9.0
    amps_limit_pu: float = 1.0
    oil_differential_kpa: float = 100.0
    oil_delay_s: float = 30.0
    discharge_trip_c: float = 105.0
    high_trip_c: float = 56.0
    low_trip_c: float = -5.0
    low_water_c: float = 2.5
    winding_trip_c: float = 115.0
    imbalance_trip: float = 0.35
    reset_s: float = 1500.0
    load_in_start: bool = False
    no_unload_dwell: bool = False
    bypass_at_rest: bool = False


@dataclass(slots=True)
class Controller:
    """Decides the drive of the machine, step by step."""

    settings: Settings
    mode: str = REST
    since_s: float = 0.0
    motor_on_s: float = -1e9
    motor_off_s: float = -1e9
    pulse_until_s: float = 0.0
    next_pulse_s: float = 0.0
    pulse_is_load: bool = True
    tripped: str = ""
    locked_until_s: float = 0.0
    trip_after_power: bool = False
    last_kind: str = "normal"
    timers: dict[str, float] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    drive: Drive = field(default_factory=Drive)
    run_command: bool = False
    holding: bool = False

    def _say(self, t: float, point: str, state: str, text: str) -> None:
        self.events.append(Event(round(t, 2), point, state, text))

    def _enter(self, mode: str, t: float) -> None:
        self.mode, self.since_s = mode, t

    def _lasting(self, name: str, t: float, limit_s: float, *, true: bool) -> bool:
        if not true:
            self.timers.pop(name, None)
            return False
        return t - self.timers.setdefault(name, t) >= limit_s

    def trip(self, t: float, text: str) -> None:
        """Open the contactor, drop every solenoid, report, lock out until the reset time."""
        self._say(t, "TRIP", "ALARM", text)
        self.tripped, self.locked_until_s = text, t + self.settings.reset_s
        self.last_kind = "trip"
        self._motor_off(t)

    def power_lost(self, t: float) -> None:
        """All commands fall with the supply; nothing is reported until it is back."""
        self.last_kind, self.trip_after_power = "power-loss", True
        self.locked_until_s = t + 600.0
        self._motor_off(t)
        self._say(t + 95.0, "SUPPLY", "ALARM", "Control power restored")
        self._say(t + 95.0, "SUPPLY", "NORMAL", "Control power restored")

    def _motor_off(self, t: float) -> None:
        drive = self.drive
        drive.motor = drive.load = drive.unload = drive.bypass_shut = drive.feeding = False
        self.motor_off_s, self.run_command = t, False
        self.timers.clear()
        self._say(t, "RUN", "OFF", "Compressor stopped")
        self._enter(COASTING, t)

    def decide(self, t: float, m: Machine, seen: dict[str, float], fx: Effects, *, demand: bool) -> Drive:
        """Set and return the drive for this instant.

        Parameters
        ----------
        t
            Seconds of the run.
        m
            The machine; only its slide and water are read directly, all else comes as `seen`.
        seen
            What the sensors show, by role.
        fx
            Surroundings and faults (a welded contactor, lost supply).
        demand
            Whether cooling is asked for.
        """
        if fx.power_lost and self.drive.motor:
            self.power_lost(t)
        if self.drive.motor:
            self._protect(t, m, seen, fx)
        handler = {
            REST: self._rest,
            START: self._start,
            RUN: self._run,
            UNLOADING: self._unloading,
            PUMPING: self._pumping,
        }
        handler.get(self.mode, self._coasting)(t, m, seen, demand=demand)
        self.drive.heater = not self.drive.motor
        return self.drive

    def _rest(self, t: float, m: Machine, seen: dict[str, float], *, demand: bool) -> None:
        self.drive.bypass_shut = self.settings.bypass_at_rest and t - self.since_s > 120.0
        self.drive.unload = False
        if self.tripped and t >= self.locked_until_s:
            self._say(t, "TRIP", "NORMAL", f"{self.tripped} reset")
            self.tripped = ""
        if demand and not self.tripped and t >= self.locked_until_s:
            self.run_command, self.drive.bypass_shut = True, False
            self.drive.unload = True
            self.motor_on_s = t + 1.0
            self.last_kind = "normal"
            self._enter(START, t)

    def _start(self, t: float, m: Machine, seen: dict[str, float], *, demand: bool) -> None:
        s, drive, age = self.settings, self.drive, t - self.motor_on_s
        if age < 0.0:
            return
        if not drive.motor:
            drive.motor, drive.feeding = True, True
            self._say(t, "RUN", "ON", "Compressor started")
        drive.reduced = age < s.reduced_s
        drive.bypass_shut = age >= s.bypass_on_s
        drive.unload = age < s.unload_release_s
        drive.load = s.load_in_start and (8.0 <= age % 12.0 < 11.0) and age > 8.0
        if age >= s.load_from_s:
            drive.load = False
            self._enter(RUN, t)

    def _run(self, t: float, m: Machine, seen: dict[str, float], *, demand: bool) -> None:
        s, drive = self.settings, self.drive
        if not demand:
            drive.load, self.pulse_until_s = False, t
            self._enter(UNLOADING, t)
            return
        error = seen["chilled_water_leaving"] - s.setpoint_c
        share = seen["motor_amps"] / m.size.rated_amps
        if share > s.amps_limit_pu * 1.03:
            error = min(error, -1.2)
        elif share > s.amps_limit_pu * 0.97:
            error = min(error, 0.0)
        if t >= self.next_pulse_s:
            width = min(3.0, 0.5 + 0.7 * (abs(error) - 0.4)) if abs(error) > 0.4 else 0.0
            self.pulse_is_load, self.pulse_until_s = error > 0.0, t + width
            self.next_pulse_s = t + 10.0
            if error < -3.0:
                self.pulse_until_s = t + 10.0
        pulse = t < self.pulse_until_s - 1e-9
        drive.load, drive.unload = pulse and self.pulse_is_load, pulse and not self.pulse_is_load
        self.holding = not pulse

    def _unloading(self, t: float, m: Machine, seen: dict[str, float], *, demand: bool) -> None:
        s, drive, age = self.settings, self.drive, t - self.since_s
        if s.no_unload_dwell:
            self._motor_off(t)
            return
        drive.unload = (age % 4.0) < 3.0
        drive.load = False
        if seen["slide_position"] <= 3.0 or age >= s.unload_limit_s:
            if not s.pump_down:
                self._stop_now(t)
                return
            drive.unload, drive.feeding = True, False
            self._enter(PUMPING, t)

    def _pumping(self, t: float, m: Machine, seen: dict[str, float], *, demand: bool) -> None:
        s, drive, age = self.settings, self.drive, t - self.since_s
        drive.unload = True
        if s.bypass_early_s > 0.0 and age >= s.pump_down_s - s.bypass_early_s:
            drive.bypass_shut = False
        if age >= s.pump_down_s:
            self._stop_now(t)

    def _stop_now(self, t: float) -> None:
        self.last_kind = "normal"
        self._motor_off(t)
        self.drive.unload = True

    def _coasting(self, t: float, m: Machine, seen: dict[str, float], *, demand: bool) -> None:
        s, age = self.settings, t - self.since_s
        dwell = self.last_kind == "normal" or (self.last_kind == "trip" and s.post_trip_unload)
        self.drive.unload = dwell and not s.no_unload_dwell and age < s.unload_after_stop_s
        if age >= max(60.0, s.unload_after_stop_s):
            self.drive.unload = False
            self._enter(REST, t)

    def _protect(self, t: float, m: Machine, seen: dict[str, float], fx: Effects) -> None:
        """Open the contactor on the first protection whose time is over."""
        s, age = self.settings, t - self.motor_on_s
        share = seen["motor_amps"] / m.size.rated_amps
        running = age > s.start_limit_s
        late = self.mode not in (START, PUMPING)
        phases = [share * k for k in fx.phase_amps]
        spread = (max(phases) - min(phases)) / max(0.05, share)
        checks = (
            ("Earth fault, instantaneous", 0.1, fx.earth_fault),
            ("Motor overload", s.overload_s, running and share > s.overload_pu),
            ("Motor overload on start", 3.0, self.mode == START and running and share > 2.0),
            (
                "Motor overload on start",
                3.5,
                self.mode == START and running and age < 30.0 and share > s.start_overload_pu,
            ),
            ("Phase current imbalance", 4.0, spread > s.imbalance_trip),
            (
                "Low oil differential",
                12.0,
                age > s.oil_delay_s and late and seen["oil_pressure_difference"] < s.oil_differential_kpa,
            ),
            (
                "Low oil differential",
                2.0,
                age > 58.0 and self.mode != PUMPING and seen["oil_pressure_difference"] < 25.0,
            ),
            ("High discharge temperature", 2.0, seen["discharge_temperature"] > s.discharge_trip_c),
            ("High condensing pressure", 1.0, seen["condenser_saturation"] > s.high_trip_c),
            ("Low suction pressure", 30.0, age > 60.0 and late and seen["suction_saturation"] < s.low_trip_c),
            ("Chilled water low temperature", 5.0, seen["chilled_water_leaving"] < s.low_water_c),
            ("Motor winding temperature", 3.0, seen["winding_temperature"] > s.winding_trip_c),
        )
        due = ""
        for number, (text, limit_s, true) in enumerate(checks):
            if self._lasting(str(number), t, limit_s, true=bool(true)) and not due:
                due = text
        if due:
            self.trip(t, due)
