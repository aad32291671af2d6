"""Simulations that several tests look at, each made once."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from forensics.demo.study import BUILDS, Simulation, simulate
from forensics.demo.study.faults import possible

HOURS = 6.0


@lru_cache(maxsize=128)
def made(
    build: str = "pulsed-bypass", fault: str = "none", severity: str = "gross", onset: str = "sudden", seed: int = 3
) -> Simulation:
    return simulate(build, fault, severity, onset, seed=seed, hours=HOURS)


def able(fault: str) -> str:
    """A build that can have the fault: today's first."""
    return next(name for name, build in BUILDS.items() if possible(build, fault))


def running(sim: Simulation, *, from_s: float = 0.0) -> np.ndarray:
    """Instants every five seconds at which the motor has run for a minute and a half, from a time on."""
    g = sim.grid(5.0)
    g = g[g >= from_s]
    on = np.ones(g.size, bool)
    for back in range(0, 95, 5):
        on &= sim.state("motor", g - back) > 0.99
    return g[on]


def stops(sim: Simulation, *, kind: str = "normal") -> list[dict[str, float]]:
    found: list[dict[str, float]] = sim.truth["stops"]  # type: ignore[assignment]
    return [stop for stop in found if str(stop["kind"]) == kind]
