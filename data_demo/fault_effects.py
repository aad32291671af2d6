"""What both simulations know of a fault at one instant: multipliers and openings, each neutral by default."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class FaultEffects:
    """Faults at one instant. Each default leaves the machine healthy; units stand in the names.

    Attributes
    ----------
    load_factor, unload_factor
        Share of the healthy slide rate that a load or unload command gives.
    bypass_late_s
        Seconds that the unloading valve stays shut after its command would open it.
    bypass_leak
        Share of the valve's area that is open whatever the command.
    charge, condenser_factor
        Share of charge and of condenser conductance.
    sensor_offsets, sensor_values
        Added to, or in place of, what a named sensor shows, in its own unit.
    """

    load_factor: float = 1.0
    unload_factor: float = 1.0
    bypass_late_s: float = 0.2
    bypass_leak: float = 0.0
    check_leak_mm2: float = 0.0
    exv_bleed_mm2: float = 0.0
    hunt_k: float = 0.0
    liquid: float = 0.0
    charge: float = 1.0
    condenser_factor: float = 1.0
    discharge_extra_k: float = 0.0
    injection: bool = False
    heater_works: bool = True
    torque_factor: float = 1.0
    drag_factor: float = 1.0
    phase_volts: tuple[float, float, float] = (1.0, 1.0, 1.0)
    phase_amps: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sensor_offsets: dict[str, float] = field(default_factory=dict)
    sensor_values: dict[str, float] = field(default_factory=dict)
