"""Which points a site logs of a build: named sets, and the switches among them."""

from __future__ import annotations

from collections.abc import Sequence

from .builds import SOLENOIDS, Build
from .sensors import SENSORS, analogue_roles

FEW = (
    "run_status",
    *SOLENOIDS,
    "motor_amps",
    "suction_pressure",
    "condenser_pressure",
    "oil_pressure",
    "discharge_temperature",
    "chilled_water_leaving",
)
_USUAL = (
    "run_command",
    *FEW,
    "slide_position",
    "capacity_command",
    "drive_hertz",
    "discharge_pressure",
    "suction_temperature",
    "oil_temperature",
    "winding_temperature",
    "liquid_temperature",
    "chilled_water_entering",
    "condenser_water_entering",
    "condenser_water_leaving",
    "ambient_temperature",
    "oil_level",
    "expansion_valve_position",
    "economiser_solenoid",
    "oil_pump_status",
)
SWITCHES = frozenset(
    {
        *SOLENOIDS,
        "run_command",
        "run_status",
        "economiser_solenoid",
        "injection_solenoid",
        "oil_heater",
        "oil_pump_status",
    }
)


def roles_of(build: Build, points: str | Sequence[str]) -> tuple[str, ...]:
    """Points of a build, in a fixed order.

    Parameters
    ----------
    points
        `all`, `usual`, `few`, `no-commands`, `no-slide`, `amps-only`; or roles by name.
    """
    has = (*_switches_of(build), *analogue_roles(build))
    if isinstance(points, str):
        sets: dict[str, Sequence[str]] = {
            "all": has,
            "usual": _USUAL,
            "few": FEW,
            "no-commands": [r for r in _USUAL if r not in (*SOLENOIDS, "run_command")],
            "no-slide": [r for r in _USUAL if r != "slide_position"],
            "amps-only": ("run_status", "motor_amps", "suction_pressure", "discharge_pressure"),
        }
        if points not in sets:
            raise ValueError(f"points '{points}' is not one of: {', '.join(sets)}; or give a list of roles")
        points = sets[points]
    unknown = [r for r in points if r not in has and r not in roles_of_any()]
    if unknown:
        raise ValueError(f"roles that no build has: {', '.join(unknown)}")
    return tuple(role for role in has if role in set(points))


def roles_of_any() -> frozenset[str]:
    """Every role that some build has."""
    return frozenset(SENSORS) | SWITCHES


def _switches_of(build: Build) -> tuple[str, ...]:
    extra = (("economiser_solenoid",) if build.economiser else ()) + (("oil_pump_status",) if build.oil_pump else ())
    return ("run_command", "run_status", *build.solenoids, "injection_solenoid", "oil_heater", *extra)
