"""What surroundings and faults do to the machine at one instant: multipliers and openings, neutral by default."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Effects:
    """Surroundings and faults. Each default leaves the machine healthy.

    Attributes
    ----------
    load_factor, unload_factor
        Share of the healthy slide rate that a load or unload command gives.
    slide_stuck_at
        Slide position (%) that it cannot leave; with `slide_settles` it first creeps there.
    slide_drift_pc_min
        Drift of the slide by a leaking seat, % per minute, only under oil pressure.
    bypass_late_s
        Seconds that the unloading valve stays shut after its command would open it.
    bypass_leak
        Share of the valve's area that is open whatever the command.
    filter_plugging
        Extra filter drop, in multiples of the clean drop.
    charge, condenser_factor, evaporator_factor
        Share of charge, of condenser and of evaporator conductance.
    sensor_offsets
        Added to what a named sensor shows, in its own unit; `sensor_values` replaces it.
    """

    load_kw: float = 0.0
    ambient_c: float = 24.0
    condenser_water_c: float = 27.0
    load_factor: float = 1.0
    unload_factor: float = 1.0
    slide_stuck_at: float | None = None
    slide_settles: bool = False
    slide_drift_pc_min: float = 0.0
    bypass_late_s: float = 0.2
    bypass_leak: float = 0.0
    check_leak_mm2: float = 0.0
    exv_bleed_mm2: float = 0.0
    exv_at_rest: float = 0.0
    exv_fixed: float | None = None
    hunt_k: float = 0.0
    hunt_period_s: float = 80.0
    liquid: float = 0.0
    charge: float = 1.0
    evaporator_factor: float = 1.0
    condenser_factor: float = 1.0
    discharge_extra_k: float = 0.0
    injection: bool = False
    oil_level_pc: float = 72.0
    filter_plugging: float = 0.0
    heater_works: bool = True
    torque_factor: float = 1.0
    drag_factor: float = 1.0
    seized: bool = False
    vibration_mm_s: float = 1.6
    winding_factor: float = 1.0
    volts_pu: float = 1.0
    phase_volts: tuple[float, float, float] = (1.0, 1.0, 1.0)
    phase_amps: tuple[float, float, float] = (1.0, 1.0, 1.0)
    reversed_phases: bool = False
    power_lost: bool = False
    contactor_open: bool = False
    contactor_welded: bool = False
    earth_fault: bool = False
    sensor_offsets: dict[str, float] = field(default_factory=dict)
    sensor_values: dict[str, float] = field(default_factory=dict)
