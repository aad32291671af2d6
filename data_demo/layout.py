"""How an export of the demonstration machine is laid out: clocks, files, units, names of points."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

Convert = Callable[[float, float], float]
_AIR_KPA, _PSI_KPA, _SEA = 101.325, 6.894757293168, 5.25588
LABELS: dict[str, str] = {
    "run_command": "Run cmd",
    "run_status": "Motor status",
    "load_solenoid": "Load valve",
    "unload_solenoid": "Unload valve",
    "bypass_solenoid": "Bypass valve",
    "injection_solenoid": "Injection valve",
    "oil_heater": "Oil heater",
    "slide_position": "Slide",
    "motor_amps": "Motor amps",
    "amps_a": "Amps L1",
    "amps_b": "Amps L2",
    "amps_c": "Amps L3",
    "volts_ab": "Volts L1-L2",
    "volts_bc": "Volts L2-L3",
    "volts_ca": "Volts L3-L1",
    "motor_power": "Motor power",
    "shaft_speed": "Shaft speed",
    "suction_pressure": "Suction press",
    "discharge_pressure": "Discharge press before check",
    "condenser_pressure": "Condenser press",
    "high_side_pressure": "High press",
    "oil_pressure": "Oil feed press",
    "oil_filter_in_pressure": "Oil press before filter",
    "oil_pressure_difference": "Oil diff press",
    "suction_temperature": "Suction temp",
    "discharge_temperature": "Discharge temp",
    "oil_temperature": "Oil temp",
    "winding_temperature": "Winding temp",
    "liquid_temperature": "Liquid temp",
    "chilled_water_entering": "Chilled water in",
    "chilled_water_leaving": "Chilled water out",
    "condenser_water_entering": "Condenser water in",
    "condenser_water_leaving": "Condenser water out",
    "ambient_temperature": "Outdoor temp",
    "oil_level": "Oil level",
    "expansion_valve_position": "Expansion valve",
    "chilled_water_setpoint": "Chilled water setpoint",
    "vibration_velocity": "Vibration",
    "start_count": "Starts",
    "run_hours": "Run hours",
}
SOURCE_OF = {"high_side_pressure": "condenser_pressure"}


@dataclass(frozen=True, slots=True)
class Clock:
    """A clock by name: what it shows minus the true time, and how fast that grows."""

    name: str = "controller"
    offset_s: float = 0.0
    drift_ppm: float = 0.0

    def shows_s(self, true_s: float) -> float:
        """Seconds that this clock shows at a true time of the run."""
        return true_s + self.offset_s + self.drift_ppm * 1e-6 * true_s


@dataclass(frozen=True, slots=True)
class Export:
    """One file of an export.

    Attributes
    ----------
    path
        Relative to the case; a name ending in `.gz` is packed.
    roles
        Points in it, in order (a list of events takes none: it holds the controls' own list).
    every
        Keep each n-th record of the run.
    spans_s
        Parts of the run it covers, seconds; empty: all of it.
    inch_pound, gauge
        Units: psi and degF, or kPa and degC; gauge or absolute pressure.
    long
        A row a sample instead of a column a point.
    stamp
        strftime pattern of local stamps, or "" for ISO stamps in UTC.
    """

    path: str
    roles: tuple[str, ...] = ()
    clock: Clock = field(default_factory=Clock)
    every: int = 1
    spans_s: tuple[tuple[float, float], ...] = ()
    inch_pound: bool = True
    gauge: bool = True
    long: bool = False
    stamp: str = "%m/%d/%Y %H:%M:%S"
    date_order: str = "MDY"
    delimiter: str = ","
    decimal: str = "."


@dataclass(frozen=True, slots=True)
class CaseSheet:
    """What the case file says beside sources and points. `extra` is TOML text put at its end (observations, facts)."""

    id: str
    title: str
    site: str
    machine_tag: str = "C1"
    time_zone: str = "America/Chicago"
    display: str = "inch-pound"
    altitude_m: float = 180.0
    failure_s: float | None = None
    window_before: str = "36h"
    window_after: str = "2h"
    reference_clock: str = "controller"
    extra: str = ""


def unit_of(role: str, export: Export) -> tuple[str, Convert, int]:
    """Unit text, conversion (value, air pressure) and decimals of a role in an export."""
    if role.endswith("_pressure"):
        if export.inch_pound:
            return (
                ("psig", lambda v, air: (v - air) / _PSI_KPA, 1)
                if export.gauge
                else ("psia", lambda v, air: v / _PSI_KPA, 1)
            )
        return ("kPag", lambda v, air: v - air, 1) if export.gauge else ("kPaa", lambda v, air: v, 1)
    if role == "oil_pressure_difference":
        return ("psi", lambda v, air: v / _PSI_KPA, 1) if export.inch_pound else ("kPa", lambda v, air: v, 1)
    if "temperature" in role or "chilled_water" in role or "condenser_water" in role:
        return ("degF", lambda v, air: v * 1.8 + 32.0, 1) if export.inch_pound else ("degC", lambda v, air: v, 1)
    plain = {
        "slide_position": ("%", 1),
        "expansion_valve_position": ("%", 1),
        "oil_level": ("%", 1),
        "motor_power": ("kW", 1),
        "shaft_speed": ("rpm", 0),
        "vibration_velocity": ("mm/s", 2),
        "start_count": ("", 0),
        "run_hours": ("h", 1),
    }
    unit, places = plain.get(role, ("V" if role.startswith("volts") else "A", 1))
    return unit, lambda v, air: v, places


def air_pressure_kpa(altitude_m: float) -> float:
    """Air pressure at a height above the sea by the standard atmosphere (ISO 2533)."""
    return float(_AIR_KPA * (1.0 - 2.25577e-5 * altitude_m) ** _SEA)


def column_name(role: str, tag: str) -> str:
    """Name of a point in the exports."""
    return f"{tag} {LABELS[role]}"
