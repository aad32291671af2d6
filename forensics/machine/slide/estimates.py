"""What is identified of the slide: rates with their intervals, and the moment of a change."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Sizes = tuple[tuple[float, float], tuple[float, float]]
DRIFT, LOAD, UNLOAD = 0, 1, 2
DEAD_SHARE = 0.2
SHORTEST_S, LONGEST_S = 0.3, 3.0  # widths of capacity pulses (common practice, no published source)
STRENGTH = 20.0
SIGMAS = 4.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """A rate in %/min with its 95 % interval."""

    value: float
    low: float
    high: float

    @property
    def width(self) -> float:
        """Half the width of the interval."""
        return (self.high - self.low) / 2.0

    def turned(self, sign: float) -> Estimate:
        """Counted in the other sense where ``sign`` is -1."""
        return self if sign > 0 else Estimate(-self.value, -self.high, -self.low)


@dataclass(frozen=True, slots=True)
class Moment:
    """When a quantity changed: best estimate and interval, ns."""

    at_ns: int
    low_ns: int
    high_ns: int


@dataclass(frozen=True)
class Part:
    """One of the three quantities.

    Attributes
    ----------
    end, before
        At the end of the record, and before a change; ``before`` is None where none was found.
    changed
        The moment of the change.
    span_ns
        First and last moment of the windows that tell ``end``.
    minutes, windows
        Minutes of command (of time for the drift) and number of windows that tell ``end``.
    """

    end: Estimate
    before: Estimate | None
    changed: Moment | None
    span_ns: tuple[int, int]
    minutes: float
    windows: int


@dataclass(frozen=True)
class Gains:
    """What was identified; a part is None where the record does not tell it at all.

    ``with_oil`` is the change of the drift with the driving pressure, %/min per 100 kPa. ``settled`` says that
    commands did not go on for long without a quiet window before the end, ``looks`` how many spells of load and of
    unload were seen independently of each other. The gains *at pulses* are what the slide did in the seconds around
    the last pulses, whatever it does besides; they need samples of about a second.
    """

    drift: Part | None
    load: Part | None
    unload: Part | None
    with_oil: Estimate | None
    settled: bool
    looks: tuple[float, float]
    load_at_pulses: Part | None = None
    unload_at_pulses: Part | None = None
    unseen: float = 0.0

    def response(self, sign: float) -> Part | None:
        """What tells of a response to load (1) or unload (-1): the balance, or the pulses where those are sharper.

        Where commands went on for long without a quiet window, a slide that stands may be held against a leak: then
        only the seconds around each pulse tell.
        """
        part, near = (self.load, self.load_at_pulses) if sign > 0 else (self.unload, self.unload_at_pulses)
        if near is None or part is None:
            return near if part is None else part
        if not self.settled or near.end.width < part.end.width:
            return replace(near, before=part.before, changed=part.changed)
        return part
