"""What the sensors of the demonstration machine show: roles in order, noise, resolution, and rails."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .effects import Effects
from .machine import Machine, Size

Floats = npt.NDArray[np.float64]
SWITCHES = (
    "run_command",
    "run_status",
    "load_solenoid",
    "unload_solenoid",
    "bypass_solenoid",
    "injection_solenoid",
    "oil_heater",
)
# role: (noise, one standard deviation; resolution), in A, V, kW, rpm, kPa, degC, %, mm/s, 1, h
_ANALOGUE: dict[str, tuple[float, float]] = {
    "slide_position": (0.25, 0.1),
    "motor_amps": (0.5, 0.1),
    "amps_a": (0.6, 0.1),
    "amps_b": (0.6, 0.1),
    "amps_c": (0.6, 0.1),
    "volts_ab": (0.6, 0.1),
    "volts_bc": (0.6, 0.1),
    "volts_ca": (0.6, 0.1),
    "motor_power": (0.3, 0.1),
    "shaft_speed": (1.5, 1.0),
    "suction_pressure": (0.9, 0.1),
    "discharge_pressure": (1.3, 0.1),
    "condenser_pressure": (1.3, 0.1),
    "oil_pressure": (1.5, 0.1),
    "oil_filter_in_pressure": (1.5, 0.1),
    "oil_pressure_difference": (1.8, 0.1),
    "suction_temperature": (0.06, 0.1),
    "discharge_temperature": (0.08, 0.1),
    "oil_temperature": (0.06, 0.1),
    "winding_temperature": (0.15, 0.1),
    "liquid_temperature": (0.06, 0.1),
    "chilled_water_entering": (0.03, 0.01),
    "chilled_water_leaving": (0.03, 0.01),
    "condenser_water_entering": (0.04, 0.01),
    "condenser_water_leaving": (0.04, 0.01),
    "ambient_temperature": (0.05, 0.1),
    "oil_level": (0.4, 0.1),
    "expansion_valve_position": (0.0, 0.1),
    "chilled_water_setpoint": (0.0, 0.1),
    "vibration_velocity": (0.05, 0.01),
    "start_count": (0.0, 1.0),
    "run_hours": (0.0, 0.1),
}
ROLES: tuple[str, ...] = (*SWITCHES, *_ANALOGUE)
_NEVER_BELOW_ZERO = (
    "slide_position",
    "motor_amps",
    "amps_a",
    "amps_b",
    "amps_c",
    "motor_power",
    "oil_level",
    "vibration_velocity",
)


def observed(m: Machine, fx: Effects) -> dict[str, float]:
    """What the controls see of the machine, by role (without noise), with any false sensor in it."""
    seen = {
        "motor_amps": m.amps * sum(fx.phase_amps) / 3.0,
        "slide_position": m.slide,
        "oil_pressure_difference": m.oil_dp_kpa,
        "discharge_temperature": m.td_c,
        "chilled_water_leaving": m.water_out_c,
        "winding_temperature": m.winding_c,
        "suction_saturation": m.evaporator_c,
        "condenser_saturation": m.condenser_c,
    }
    for role, value in fx.sensor_values.items():
        target = {"suction_pressure": "suction_saturation", "oil_pressure": "oil_pressure_difference"}.get(role, role)
        if target in seen:
            seen[target] = -40.0 if target == "suction_saturation" else value
    return seen


def shown(m: Machine, fx: Effects, starts: int, hours: float) -> tuple[float, ...]:
    """Exact analogue values of one record, in the order of `ROLES` after the switches."""
    low, high, cond = m.suction_kpa, m.plenum_kpa, m.condenser_kpa
    amps, volts = m.amps, m.size.volts * fx.volts_pu
    useful = (amps / m.size.rated_amps) ** 2 - m.size.no_load_ratio**2
    factor = 0.88 * (max(useful, 0.01) ** 0.5) / max(amps / m.size.rated_amps, 0.05) if amps else 0.0
    watts = 1.732e-3 * volts * amps * min(0.9, factor)
    rejected = max(0.0, m.flow) * m.cooling_kw / m.rated_flow * 1.25 / (m.water_kw_k * 1.25)
    cooling = max(0.0, min(1.0, (m.condenser_c - fx.condenser_water_c) / 3.0)) if amps else 0.2
    values = {
        "slide_position": m.slide,
        "motor_amps": amps * sum(fx.phase_amps) / 3.0,
        "amps_a": amps * fx.phase_amps[0],
        "amps_b": amps * fx.phase_amps[1],
        "amps_c": amps * fx.phase_amps[2],
        "volts_ab": volts * fx.phase_volts[0] * (1.0 - 0.006 * amps / m.size.rated_amps),
        "volts_bc": volts * fx.phase_volts[1] * (1.0 - 0.006 * amps / m.size.rated_amps),
        "volts_ca": volts * fx.phase_volts[2] * (1.0 - 0.006 * amps / m.size.rated_amps),
        "motor_power": watts,
        "shaft_speed": m.rpm,
        "suction_pressure": low,
        "discharge_pressure": high,
        "condenser_pressure": cond,
        "oil_pressure": low + m.oil_dp_kpa,
        "oil_filter_in_pressure": low + m.oil_dp_kpa + m.filter_drop_kpa * (m.oil_dp_kpa > 1.0),
        "oil_pressure_difference": m.oil_dp_kpa,
        "suction_temperature": m.evaporator_c + m.superheat_k,
        "discharge_temperature": m.td_c,
        "oil_temperature": m.oil_c,
        "winding_temperature": m.winding_c,
        "liquid_temperature": m.condenser_c - 5.0 * cooling * max(0.0, min(1.0, (fx.charge - 0.6) / 0.35)),
        "chilled_water_entering": m.water_in_c,
        "chilled_water_leaving": m.water_out_c,
        "condenser_water_entering": fx.condenser_water_c,
        "condenser_water_leaving": fx.condenser_water_c + rejected,
        "ambient_temperature": fx.ambient_c,
        "oil_level": m.oil_level,
        "expansion_valve_position": m.exv,
        "chilled_water_setpoint": 7.0,
        "vibration_velocity": fx.vibration_mm_s if m.rpm else 0.0,
        "start_count": float(starts),
        "run_hours": hours,
    }
    values.update(fx.sensor_values)
    for role, offset in fx.sensor_offsets.items():
        values[role] += offset
    return tuple(values[role] for role in _ANALOGUE)


def measure(exact: dict[str, Floats], rng: np.random.Generator, noise: float, size: Size) -> dict[str, Floats]:
    """Add noise and resolution to exact columns; currents and volts scale with the machine.

    Parameters
    ----------
    exact
        Columns by role.
    rng
        Source of the noise.
    noise
        Multiple of the usual noise (0: resolution only).
    size
        Nameplate, for what a current sensor resolves.
    """
    columns: dict[str, Floats] = {}
    for role, values in exact.items():
        if role in SWITCHES:
            columns[role] = values
            continue
        deviation, step = _ANALOGUE[role]
        spread = rng.standard_normal(values.size) * deviation * noise
        if role.startswith(("motor_amps", "amps_")):
            spread = spread * size.rated_amps / 150.0 * (values > 0.0)
        elif role in ("motor_power", "shaft_speed", "vibration_velocity"):
            spread = spread * (values != 0.0)
        noisy = np.round((values + spread) / step) * step
        columns[role] = np.maximum(noisy, 0.0) if role in _NEVER_BELOW_ZERO else noisy
    return columns
