"""Runs of the demonstration machine: a seeded simulation of a scenario, and short runs for tests."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from .control_events import Event
from .controller import COASTING, RUN, START, Controller, Settings
from .effects import Effects
from .faults import ACTS, SUDDEN, Moment, Window, weld
from .machine import Drive, Machine, Size
from .parameters import LONG_REST_S, REDUCED, TICK_S, Scenario, event_s, schedule
from .saturation import saturation
from .sensors import ROLES, observed, shown
from .truth import Ledger

__all__ = ["Run", "Scenario", "Trace", "schedule", "short_run", "simulate"]

Floats = npt.NDArray[np.float64]
_GROWING = frozenset(
    {
        "oil-supply-lost",
        "oil-filter-plugged",
        "discharge-overheating",
        "high-head",
        "low-suction",
        "bearing-or-rotor-damage",
        "supply-unbalance",
        "motor-overload",
    }
)
_FULL_LOAD = frozenset({"trapped-loaded", "motor-overload"})


@dataclass(frozen=True, slots=True)
class Trace:
    """Fine trace around starts and stops: s, rpm, A, plenum and suction pressure in kPa, motor on (0 or 1)."""

    time_s: Floats
    rpm: Floats
    amps: Floats
    plenum_kpa: Floats
    suction_kpa: Floats
    motor: Floats


@dataclass(frozen=True, slots=True)
class Run:
    """What came out: time, sensed columns by role (switches 0 or 1), the controls' list, truth and the fine trace.

    `time_s` counts from the start of the run on the true clock. `exact` holds the columns without sensor errors.
    """

    scenario: Scenario
    time_s: Floats
    columns: dict[str, Floats]
    exact: dict[str, Floats]
    events: list[Event]
    truth: dict[str, object]
    trace: Trace
    windows: list[Window] = field(default_factory=list)


def _settings(scenario: Scenario) -> Settings:
    base = Settings(
        pump_down=scenario.pump_down,
        pump_down_s=scenario.pump_down_s,
        bypass_early_s=max(0.0, -scenario.bypass_release_s),
        post_trip_unload=scenario.post_trip_unload and scenario.fault != "trapped-loaded",
        reduced_s=5.0 if scenario.starter != "across-the-line" else 0.0,
        reset_s=scenario.reset_s,
    )
    if scenario.fault == "motor-overload":
        return replace(base, amps_limit_pu=1.3, overload_pu=1.06, overload_s=420.0)
    return base


def _faulty_settings(scenario: Scenario, settings: Settings) -> Settings:
    if scenario.fault != "sequence-error":
        return settings
    return replace(settings, load_in_start=True, bypass_at_rest=True, no_unload_dwell=scenario.severity >= 1.0)


def _reads_load(scenario: Scenario, rng: random.Random) -> list[tuple[float, float, float]]:
    return [(rng.uniform(0.6, 1.0), rng.uniform(900.0, 5200.0), rng.uniform(0.0, 6.28)) for _ in range(3)]


class _Surroundings:
    """Load, weather and fault strength over time, from the scenario alone."""

    def __init__(self, scenario: Scenario, windows: list[Window], cooling_kw: float) -> None:
        rng = random.Random(scenario.seed * 104729 + 5)
        self.waves = _reads_load(scenario, rng)
        self.shift_c = rng.uniform(-0.8, 0.8)
        self.scenario, self.windows, self.cooling_kw = scenario, windows, cooling_kw
        self.event_s, self.index = event_s(scenario, windows), 0

    def demand(self, t: float) -> bool:
        while self.index < len(self.windows) and t >= self.windows[self.index][1]:
            self.index += 1
        return self.index < len(self.windows) and t >= self.windows[self.index][0]

    def effects(self, t: float, controller: Controller, *, motor: bool, wanted: bool) -> Effects:
        """Effects of surroundings and fault at this instant."""
        sc = self.scenario
        low, high = sc.load_share
        wave = sum(a * float(np.sin(6.2832 * t / p + q)) for a, p, q in self.waves) / 2.4
        share = (low + high) / 2.0 + (high - low) / 2.0 * max(-1.0, min(1.0, wave)) if wanted else 0.04
        daily = float(np.sin(6.2832 * (t / 86400.0 - 0.3)))
        fx = Effects(
            load_kw=share * self.cooling_kw,
            ambient_c=sc.ambient_c + 3.0 * daily + self.shift_c,
            condenser_water_c=sc.condenser_water_c + 1.2 * daily + self.shift_c,
            bypass_late_s=max(0.2, sc.bypass_release_s),
            check_leak_mm2=sc.check_leak_mm2,
            exv_bleed_mm2=sc.exv_bleed_mm2,
        )
        begin_s = sc.fault_start_h * 3600.0
        grown = 0.0 if t < begin_s else 1.0 if sc.growth_h <= 0.0 else min(1.0, (t - begin_s) / (sc.growth_h * 3600.0))
        age = t - (controller.motor_on_s if motor else controller.motor_off_s)
        at = Moment(
            time_s=t,
            share=grown * sc.severity,
            since_event_s=t - self.event_s,
            motor=motor,
            motor_age_s=age,
            false_sensor=sc.false_sensor,
            dip_depth=sc.dip_depth,
        )
        if sc.fault == "contactor-fault" and sc.contacts_weld:
            weld(fx, at)
        elif sc.fault == "expansion-valve-fault" and sc.valve_bleeds:
            fx.exv_at_rest, fx.exv_bleed_mm2 = 30.0 * at.share, 18.0 * at.share + sc.exv_bleed_mm2
        else:
            ACTS[sc.fault](fx, at)
        return fx


def _coils(scenario: Scenario, drive: Drive) -> tuple[float, float, float]:
    pairs = (
        (drive.load, scenario.load_energised_loads),
        (drive.unload, scenario.unload_energised_unloads),
        (drive.bypass_shut, scenario.bypass_energised_shuts),
    )
    load, unload, bypass = (float(effect is direct) for effect, direct in pairs)
    return load, unload, bypass


class _Simulation:
    """One run being made."""

    def __init__(self, scenario: Scenario) -> None:
        self.sc = scenario
        size = Size(
            rated_amps=scenario.rated_amps,
            volts=scenario.volts,
            hertz=scenario.hertz,
            locked_rotor_ratio=scenario.locked_rotor_ratio,
            no_load_ratio=scenario.no_load_ratio,
            plenum_m3=scenario.plenum_m3,
            bypass_mm2=scenario.bypass_mm2,
            inertia_kg_m2=scenario.inertia_kg_m2,
            reduced_current=REDUCED[scenario.starter],
            loop_kj_k=scenario.loop_kj_k,
        )
        line = saturation(scenario.refrigerant)
        self.m = Machine(size, line, water_c=scenario.start_water_c, condenser_water_c=scenario.condenser_water_c)
        self.windows = schedule(scenario)
        self.around = _Surroundings(scenario, self.windows, self.m.cooling_kw)
        self.settings = _settings(scenario)
        self.c = Controller(self.settings)
        self.ledger = Ledger(scenario.rated_amps)
        self.rows: list[tuple[float, ...]] = []
        self.fine: list[tuple[float, ...]] = []
        self.skipped: tuple[float, ...] | None = None
        self.was_shut, self.shut_off_s = False, -1e9
        self.contact_was = self.bounced = False
        self.sum_amps, self.n_starts, self.run_s = 0.0, 1200, 9000.0 * 3600.0

    def _physical(self, t: float, drive: Drive, fx: Effects) -> Drive:
        """The drive as the machine feels it: contacts that bounce or weld, a valve that opens late."""
        if self.was_shut and not drive.bypass_shut:
            self.shut_off_s = t
        self.was_shut = drive.bypass_shut
        shut = drive.bypass_shut or t - self.shut_off_s < fx.bypass_late_s
        motor = (drive.motor and not fx.contactor_open) or fx.contactor_welded
        if motor != self.contact_was:
            strange = motor != drive.motor
            if strange or self.bounced:
                self.c.events.append(Event(round(t, 2), "STATUS", "ON" if motor else "OFF", "Contactor status changed"))
            self.bounced = strange
            self.contact_was = motor
            if motor:
                self.n_starts += 1
        return Drive(
            motor=motor,
            reduced=drive.reduced,
            load=drive.load,
            unload=drive.unload,
            bypass_shut=shut,
            feeding=drive.feeding,
            heater=drive.heater,
        )

    def _ticks(self, t: float, drive: Drive, fx: Effects) -> int:
        m, c = self.m, self.c
        swinging = drive.motor and abs(m.rpm) < 0.93 * m.size.synchronous_rpm and not fx.seized
        turning = not drive.motor and (m.rpm != 0.0 or m.plenum_kpa > m.suction_kpa * 1.02) and t - c.motor_off_s < 90.0
        sudden = abs(t - self.around.event_s) < 10.0
        if swinging or turning or sudden or (c.mode == START and t - c.motor_on_s < 8.0):
            return 1
        if c.mode == COASTING or drive.motor or c.mode == START:
            return 20 if c.mode == RUN and not (drive.load or drive.unload) and t < c.next_pulse_s - 1.0 else 10
        return 100

    def run(self) -> Run:
        """Step through the scenario and gather the records."""
        sc, m, c = self.sc, self.m, self.c
        end, every = round(sc.hours * 3600.0 / TICK_S), round(sc.interval_s / TICK_S)
        tick, refreshed, fx = 0, -1e9, Effects()
        seen = observed(m, fx)
        switched = sc.fault_start_h * 3600.0
        while tick <= end:
            t = tick * TICK_S
            if c.settings is self.settings and t >= switched:
                c.settings = _faulty_settings(sc, self.settings)
            wanted = self.around.demand(t)
            if t - refreshed >= 0.999 or abs(t - self.around.event_s) < 12.0 or c.drive.motor != self.contact_was:
                fx, refreshed = self.around.effects(t, c, motor=c.drive.motor, wanted=wanted), t
            seen = observed(m, fx)
            drive = self._physical(t, c.decide(t, m, seen, fx, demand=wanted), fx)
            if sc.fault == "supply-disturbance" and 2.4 <= t - self.around.event_s < 2.5 and c.drive.motor:
                c.trip(t, "Supply undervoltage")
            ticks = self._ticks(t, drive, fx)
            ticks = min(ticks, every - tick % every, max(1, end - tick)) if tick < end else 1
            m.step(ticks * TICK_S, drive, fx, t)
            tick += ticks
            after = tick * TICK_S
            self.ledger.note(after, m, drive, c, seen)
            self._trace((after, m.rpm, m.amps, m.plenum_kpa, m.suction_kpa, float(drive.motor)), keep=ticks == 1)
            if drive.motor:
                self.run_s += ticks * TICK_S
            if tick % every == 0 and tick <= end:
                self._record(after, drive, fx)
        return self._finish()

    def _trace(self, now: tuple[float, ...], *, keep: bool) -> None:
        """Keep fine steps, and the last coarse step before each: between two entries the state is a straight line."""
        if keep:
            if self.skipped is not None:
                self.fine.append(self.skipped)
            self.fine.append(now)
        self.skipped = None if keep else now

    def _record(self, t: float, drive: Drive, fx: Effects) -> None:
        coils = _coils(self.sc, self.c.drive)
        flags = (
            float(self.c.run_command),
            float(drive.motor),
            *coils,
            float(fx.injection and drive.motor),
            float(drive.heater and fx.heater_works),
        )
        self.rows.append((t, *flags, *shown(self.m, fx, self.n_starts, self.run_s / 3600.0)))

    def _finish(self) -> Run:
        from .sensors import measure

        table = np.array(self.rows, dtype=np.float64)
        exact = {role: table[:, i + 1] for i, role in enumerate(ROLES)}
        columns = measure(exact, np.random.default_rng(self.sc.seed), self.sc.noise, self.m.size)
        fine = np.array(self.fine or [(0.0,) * 6], dtype=np.float64)
        sudden = self.sc.fault in SUDDEN
        begun = self.around.event_s if sudden and self.sc.fault not in _GROWING else self.sc.fault_start_h * 3600.0
        truth: dict[str, object] = {
            "fault": self.sc.fault,
            "severity": self.sc.severity,
            "fault_from_s": None if self.sc.fault == "none" else begun,
            "event_s": self.around.event_s if sudden else None,
            **self.ledger.told(),
        }
        events = sorted(self.c.events, key=lambda event: event.time_s)
        trace = Trace(*(fine[:, i] for i in range(6)))
        return Run(
            scenario=self.sc,
            time_s=table[:, 0],
            columns=columns,
            exact=exact,
            events=events,
            truth=truth,
            trace=trace,
            windows=self.windows,
        )


def simulate(scenario: Scenario) -> Run:
    """Run a scenario: same scenario, same run.

    Parameters
    ----------
    scenario
        All parameters.

    Returns
    -------
    Run
        Columns as the sensors show them, the list of events, and what truly happened.
    """
    return _Simulation(scenario).run()


def short_run(
    fault: str,
    seed: int,
    *,
    cycles: int = 2,
    healthy_cycles: int = 0,
    interval_s: float = 1.0,
    base: Scenario | None = None,
) -> Run:
    """Run a few short cycles (12 to 15 min on, 7 to 9 off) of one fault on a small water loop.

    Parameters
    ----------
    fault, seed, interval_s
        As in `Scenario`.
    cycles
        Number of starts asked for.
    healthy_cycles
        How many of them come before the fault begins: the machine's own history. (A flooded start is the last one,
        after ten hours of rest.)
    base
        Scenario to start from; its length, schedule, fault and loop are replaced.
    """
    hours = (cycles * 24.5 + 4.0) / 60.0
    sc = replace(
        base or Scenario(),
        fault=fault,
        seed=seed,
        interval_s=interval_s,
        hours=hours,
        run_minutes=(12.0, 15.0),
        rest_minutes=(7.0, 9.0),
        lead_minutes=3.0,
        loop_kj_k=9_000.0,
        reset_s=420.0,
    )
    if fault in _FULL_LOAD:
        sc = replace(sc, load_share=(1.02, 1.15))
    windows = schedule(replace(sc, fault="none"))[:cycles]
    hours = windows[-1][1] / 3600.0 + 0.07
    begin_s = windows[healthy_cycles][0] - 60.0 if 0 < healthy_cycles < len(windows) else 0.0
    growth_h = 0.7 * (hours - begin_s / 3600.0) if fault in _GROWING else 0.0
    if fault == "flooded-start":
        begin_s = windows[-2][1] + 60.0 if len(windows) > 1 else 0.0
        hours += LONG_REST_S / 3600.0
    return simulate(replace(sc, hours=hours, fault_start_h=begin_s / 3600.0, growth_h=growth_h))
