"""Every parameter of a run, and the schedule that follows from them."""

from __future__ import annotations

import random
from dataclasses import dataclass

from .faults import ACTS, SUDDEN, Window
from .sensors import ROLES

TICK_S = 0.05
LONG_REST_S = 10.0 * 3600.0
REDUCED = {
    "across-the-line": 1.0,
    "star-delta": 1.0 / 3.0,
    "part-winding": 0.6,
    "soft-start": 0.5,
    "variable-speed": 0.35,
}


@dataclass(frozen=True, slots=True)
class Scenario:
    """Every parameter of a run.

    Attributes
    ----------
    seed
        Of schedule, load and sensor noise: the same scenario gives the same run.
    hours, interval_s
        Length of the run and of one record (a multiple of 0.05 s).
    fault, fault_start_h, growth_h, severity
        Mode (as the workbook names it), when it begins, how long it grows, and its final strength (1: full).
    event_share
        Where in the last run a sudden fault strikes, as a share of that run.
    bypass_release_s
        When the unloading valve opens, s after the motor stops: negative early by command, positive late by the valve.
    load_energised_loads, unload_energised_unloads, bypass_energised_shuts
        Polarity of each valve: whether the energised coil has the named effect.
    run_minutes, rest_minutes
        Range of the length of runs and rests that the schedule draws from.
    valve_bleeds, contacts_weld
        Variants of the expansion valve fault (not closing at stop) and of the contactor fault (welded).
    """

    seed: int = 1
    hours: float = 2.0
    interval_s: float = 1.0
    fault: str = "none"
    fault_start_h: float = 0.0
    growth_h: float = 0.0
    severity: float = 1.0
    event_share: float = 0.6
    refrigerant: str = "R134a"
    rated_amps: float = 186.0
    volts: float = 460.0
    hertz: float = 60.0
    locked_rotor_ratio: float = 6.2
    no_load_ratio: float = 0.33
    starter: str = "star-delta"
    plenum_m3: float = 0.08
    bypass_mm2: float = 850.0
    inertia_kg_m2: float = 1.2
    check_leak_mm2: float = 0.0
    exv_bleed_mm2: float = 0.0
    bypass_release_s: float = 0.0
    pump_down: bool = True
    pump_down_s: float = 20.0
    post_trip_unload: bool = True
    load_energised_loads: bool = True
    unload_energised_unloads: bool = True
    bypass_energised_shuts: bool = True
    valve_bleeds: bool = False
    contacts_weld: bool = False
    false_sensor: str = "discharge_temperature"
    dip_depth: float = 0.55
    run_minutes: tuple[float, float] = (60.0, 150.0)
    rest_minutes: tuple[float, float] = (45.0, 150.0)
    lead_minutes: float = 6.0
    load_share: tuple[float, float] = (0.45, 0.9)
    loop_kj_k: float = 60_000.0
    start_water_c: float = 11.5
    condenser_water_c: float = 29.0
    ambient_c: float = 24.0
    reset_s: float = 1500.0
    noise: float = 1.0

    def __post_init__(self) -> None:
        wrong = []
        if self.fault not in ACTS:
            wrong.append(f"fault '{self.fault}' is not one of: {', '.join(sorted(ACTS))}")
        if self.starter not in REDUCED:
            wrong.append(f"starter '{self.starter}' is not one of: {', '.join(REDUCED)}")
        if self.interval_s < TICK_S or abs(self.interval_s / TICK_S - round(self.interval_s / TICK_S)) > 1e-6:
            wrong.append(f"interval_s {self.interval_s} is not a multiple of {TICK_S} s")
        if self.hours <= 0.0:
            wrong.append(f"hours {self.hours} is not above zero")
        if self.false_sensor not in ROLES:
            wrong.append(f"false_sensor '{self.false_sensor}' is not a recorded role")
        if wrong:
            raise ValueError("; ".join(wrong))


def schedule(scenario: Scenario) -> list[Window]:
    """Draw the windows (start, end in s) in which cooling is asked for."""
    rng = random.Random(scenario.seed * 7919 + 17)
    long_s = LONG_REST_S if scenario.fault == "flooded-start" and scenario.hours * 3600.0 > 1.1 * LONG_REST_S else 0.0
    end_s: float = scenario.hours * 3600.0 - long_s
    windows: list[Window] = []
    t = scenario.lead_minutes * 60.0
    while t < end_s:
        run_s = 60.0 * rng.uniform(*scenario.run_minutes)
        rest_s = 60.0 * rng.uniform(*scenario.rest_minutes)
        if scenario.fault == "short-cycling" and t >= scenario.fault_start_h * 3600.0:
            run_s, rest_s = 60.0 * rng.uniform(3.0, 5.0), 60.0 * rng.uniform(2.2, 3.5)
        windows.append((t, min(t + run_s, end_s)))
        t += run_s + rest_s
    if long_s:
        windows[-1] = (windows[-1][0] + long_s, windows[-1][1] + long_s)
    return windows


def event_s(scenario: Scenario, windows: list[Window]) -> float:
    """Second of the run at which a sudden fault strikes (far beyond any run where there is none)."""
    if scenario.fault not in SUDDEN or not windows:
        return 1e12
    due = [w for w in windows if w[1] - w[0] > 300.0 and w[0] >= scenario.fault_start_h * 3600.0 - 1.0] or windows
    start, end = due[-2] if scenario.fault == "trapped-loaded" and len(due) > 1 else due[-1]
    return float(round(start + max(200.0, scenario.event_share * (end - start))))
