"""What a fault does to the machine at one instant: multipliers and openings, each neutral by default."""

from __future__ import annotations

from dataclasses import dataclass

from ..fault_effects import FaultEffects


@dataclass(slots=True)
class Effects(FaultEffects):
    """Faults at one instant. Each default leaves the machine healthy; units stand in the names.

    Attributes
    ----------
    stuck_pc
        Slide position that it creeps to and cannot leave; None: it is free.
    leak_down_s
        Time constant of the oil that seeps from the slide piston at rest; 0: none seeps.
    economiser_stuck
        `shut` or `open` whatever the command; empty: it follows.
    """

    stuck_pc: float | None = None
    leak_down_s: float = 420.0
    drift_pc_min: float = 0.0
    exv_stuck_pc: float | None = None
    water_factor: float = 1.0
    oil_factor: float = 1.0
    level_pc: float = 70.0
    plug_kpa: float = 0.0
    dissolves: float = 0.0
    ripple_pu: float = 0.0
    vibration_mm_s: float = 2.2
    winding_k: float = 0.0
    hertz_factor: float = 1.0
    speed_most: float = 1.0
    economiser_stuck: str = ""
    economiser_share: float = 1.0
    cycle_minutes: tuple[float, float] | None = None
    load_in_start: bool = False
    bypass_at_rest: bool = False
    no_unload_dwell: bool = False
