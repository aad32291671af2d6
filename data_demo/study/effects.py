"""What a fault does to the machine at one instant: multipliers and openings, each neutral by default."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Effects:
    """Faults at one instant. Each default leaves the machine healthy; units stand in the names.

    Attributes
    ----------
    load_factor, unload_factor
        Share of the healthy slide rate that a command gives.
    stuck_pc
        Slide position that it creeps to and cannot leave; None: it is free.
    leak_down_s
        Time constant of the oil that seeps from the slide piston at rest; 0: none seeps.
    economiser_stuck
        `shut` or `open` whatever the command; empty: it follows.
    sensor_offsets, sensor_values
        Added to, or in place of, what a role shows; in the unit of the role.
    """

    load_factor: float = 1.0
    unload_factor: float = 1.0
    stuck_pc: float | None = None
    leak_down_s: float = 420.0
    drift_pc_min: float = 0.0
    bypass_late_s: float = 0.2
    bypass_leak: float = 0.0
    check_leak_mm2: float = 0.0
    exv_bleed_mm2: float = 0.0
    exv_stuck_pc: float | None = None
    hunt_k: float = 0.0
    liquid: float = 0.0
    charge: float = 1.0
    condenser_factor: float = 1.0
    water_factor: float = 1.0
    discharge_extra_k: float = 0.0
    injection: bool = False
    oil_factor: float = 1.0
    level_pc: float = 70.0
    plug_kpa: float = 0.0
    heater_works: bool = True
    dissolves: float = 0.0
    torque_factor: float = 1.0
    drag_factor: float = 1.0
    ripple_pu: float = 0.0
    vibration_mm_s: float = 2.2
    winding_k: float = 0.0
    phase_volts: tuple[float, float, float] = (1.0, 1.0, 1.0)
    phase_amps: tuple[float, float, float] = (1.0, 1.0, 1.0)
    hertz_factor: float = 1.0
    speed_most: float = 1.0
    economiser_stuck: str = ""
    economiser_share: float = 1.0
    cycle_minutes: tuple[float, float] | None = None
    load_in_start: bool = False
    bypass_at_rest: bool = False
    no_unload_dwell: bool = False
    sensor_offsets: dict[str, float] = field(default_factory=dict)
    sensor_values: dict[str, float] = field(default_factory=dict)
