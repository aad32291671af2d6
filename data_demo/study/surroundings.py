"""What the site does to the machine over time: load, weather, water flows, a neighbour, setpoints; and the schedule."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from .builds import Build

DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Step:
    """A lasting change: from `from_s` on, `until_s` excluded, `what` is `value`."""

    what: str
    from_s: float
    until_s: float
    value: float


@dataclass(slots=True)
class Surroundings:
    """Load, weather and neighbours, from a seed. Temperatures in degC, loads in kW; flows over rated flow."""

    build: Build
    seed: int
    load_least: float = 0.42
    load_most: float = 0.92
    steps: list[Step] = field(default_factory=list)
    cooling_kw: float = 0.0
    water_c: float = 13.0
    _waves: list[tuple[float, float, float]] = field(default_factory=list)
    _shift_c: float = 0.0
    _base_sink_c: float = 26.0
    _swing_c: float = 1.2
    _neighbour: tuple[float, float] = (3000.0, 0.5)

    def __post_init__(self) -> None:
        rng = random.Random(f"site {self.seed}")
        self._waves = [
            (rng.uniform(0.5, 1.0), rng.uniform(1500.0, 7000.0), rng.uniform(0.0, math.tau)) for _ in range(3)
        ]
        self._shift_c = rng.uniform(-2.5, 2.5)
        air = self.build.condenser == "air"
        self._base_sink_c = {"water": 26.0, "air": 27.0, "evaporative": 23.0}[self.build.condenser] + self._shift_c
        self._swing_c = 5.0 if air else 1.3
        self._neighbour = (rng.uniform(2400.0, 5200.0), rng.uniform(0.35, 0.65))

    def _day(self, t: float) -> float:
        return math.sin(math.tau * (t / DAY_S - 0.1))

    def ambient_c(self, t: float) -> float:
        """Air around the machine."""
        return 23.0 + self._shift_c + 4.0 * self._day(t)

    def sink_c(self, t: float) -> float:
        """Entering condenser water, outdoor air, or wet bulb."""
        return self._base_sink_c + self._swing_c * self._day(t)

    def load_kw(self, t: float) -> float:
        """Cooling load."""
        wave = sum(a * math.sin(math.tau * t / p + q) for a, p, q in self._waves) / 2.2
        low, high = self.load_least, self.load_most
        share = 0.5 * (low + high) + 0.5 * (high - low) * max(-1.0, min(1.0, wave))
        return (share + self._value("load", t, 0.0)) * self.cooling_kw

    def setpoint_c(self, t: float) -> float:
        """Setpoint of the leaving chilled water."""
        return self._value("setpoint", t, 7.0)

    def water_flow(self, t: float) -> float:
        """Chilled-water flow over rated flow."""
        return self._value("chilled-flow", t, 1.0)

    def cooling_flow(self, t: float) -> float:
        """Condenser-water flow over rated flow."""
        return self._value("cooling-flow", t, 1.0)

    def pumps_run(self, t: float) -> bool:
        """Whether water still flows through the condenser at rest."""
        return self._value("pumps", t, 1.0) > 0.5

    def neighbour(self, t: float) -> float:
        """1 while a second compressor on the circuit runs, else 0."""
        period, share = self._neighbour
        return 1.0 if (t % period) < share * period else 0.0

    def _value(self, what: str, t: float, usual: float) -> float:
        for step in self.steps:
            if step.what == what and step.from_s <= t < step.until_s:
                return step.value
        return usual


def schedule(seed: int, begin_s: float, end_s: float) -> list[tuple[float, float]]:
    """Spans in which cooling is asked for, s; runs of 25 to 80 min, rests of 16 to 50 min."""
    rng = random.Random(f"schedule {seed} {round(begin_s)}")
    spans, t = [], begin_s + 60.0 * rng.uniform(4.0, 9.0)
    while t < end_s - 900.0:
        run_s = 60.0 * rng.uniform(25.0, 80.0)
        spans.append((t, min(t + run_s, end_s - 420.0)))
        t += run_s + 60.0 * rng.uniform(16.0, 50.0)
    return spans
