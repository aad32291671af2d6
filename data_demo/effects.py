"""What surroundings and faults do to the machine at one instant: multipliers and openings, neutral by default."""

from __future__ import annotations

from dataclasses import dataclass

from .fault_effects import FaultEffects


@dataclass(slots=True)
class Effects(FaultEffects):
    """Surroundings and faults. Each default leaves the machine healthy.

    Attributes
    ----------
    slide_stuck_at
        Slide position (%) that it cannot leave; with `slide_settles` it first creeps there.
    slide_drift_pc_min
        Drift of the slide by a leaking seat, % per minute, only under oil pressure.
    filter_plugging
        Extra filter drop, in multiples of the clean drop.
    evaporator_factor
        Share of evaporator conductance.
    """

    load_kw: float = 0.0
    ambient_c: float = 24.0
    condenser_water_c: float = 27.0
    slide_stuck_at: float | None = None
    slide_settles: bool = False
    slide_drift_pc_min: float = 0.0
    exv_at_rest: float = 0.0
    exv_fixed: float | None = None
    hunt_period_s: float = 80.0
    evaporator_factor: float = 1.0
    oil_level_pc: float = 72.0
    filter_plugging: float = 0.0
    seized: bool = False
    vibration_mm_s: float = 1.6
    winding_factor: float = 1.0
    volts_pu: float = 1.0
    reversed_phases: bool = False
    power_lost: bool = False
    contactor_open: bool = False
    contactor_welded: bool = False
    earth_fault: bool = False
