"""The slide: how fast it moves under commands, oil pressure and leaks."""

from __future__ import annotations

from .builds import Build
from .effects import Effects

AUTHORITY_KPA = 220.0
"""Oil difference at which the piston has its full rate (estimate)."""
_CREEP_PC_S = 3.0


def rate_pc_s(build: Build, fx: Effects, *, load: bool, unload: bool, oil_kpa: float, running: bool) -> float:
    """Rate of the slide, %/s, by the effects in force.

    Oil moves it one way and the spring the other; which of the two loads is the build's. A leaking seat moves it only
    under oil pressure. A vent and a feed that are open together leave the vent the stronger.
    """
    oil = max(0.0, min(1.3, oil_kpa / AUTHORITY_KPA))
    springy = build.force == "spring-unloads"
    rate = 0.0
    if load:
        rate += 100.0 / build.travel_load_s * (oil if springy else 1.0) * fx.load_factor
    if unload:
        rate -= 100.0 / build.travel_unload_s * (1.0 if springy else oil) * fx.unload_factor
    if running and oil > 0.3:
        rate += fx.drift_pc_min / 60.0
    return rate


def moved(slide_pc: float, rate: float, dt_s: float, fx: Effects) -> float:
    """Position after a step; a stuck slide creeps to where it jams and stays."""
    if fx.stuck_pc is not None:
        room = _CREEP_PC_S * dt_s
        return slide_pc + max(-room, min(room, fx.stuck_pc - slide_pc))
    return max(0.0, min(100.0, slide_pc + rate * dt_s))
