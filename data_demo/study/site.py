"""A site as it is: its clocks, how its sensors have aged, what its loggers lost, and how late its alarm list is."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .sensors import Ageing

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Clock:
    """What a clock shows minus the true time, and how fast that grows."""

    name: str
    offset_s: float = 0.0
    drift_ppm: float = 0.0

    def shows(self, t: Floats) -> Floats:
        """Stamps of this clock at true times of the run, s."""
        return np.asarray(t + self.offset_s + self.drift_ppm * 1e-6 * t)


@dataclass(frozen=True, slots=True)
class Dirt:
    """How a site's sensors, loggers and lists are.

    Attributes
    ----------
    lost_hours
        Spells of 20 to 90 min that the trend lacks.
    restarts
        Pauses of the logger of 1 to 6 min.
    scan_s, late_s
        The alarm list is scanned so often, and a line comes up to so much later; lines of one scan stand by index.
    """

    ageing: Ageing = field(default_factory=Ageing)
    lost_hours: int = 0
    restarts: int = 0
    scan_s: float = 1.0
    late_s: float = 0.3


DIRT: dict[str, Dirt] = {
    "clean": Dirt(Ageing(offset=0.3), scan_s=0.1, late_s=0.0),
    "usual": Dirt(),
    "coarse": Dirt(Ageing(coarse=5.0, lag=2.0, dead_band=2.0), scan_s=2.0, late_s=1.5),
    "rough": Dirt(Ageing(coarse=3.0, lag=3.0, dead_band=1.0, offset=1.5, drift=1.0, stuck=2), 1, 2, 5.0, 6.0),
}
PLAIN_CLOCKS: dict[str, Clock] = {"controller": Clock("controller"), "panel": Clock("panel", 41.0, 3.0)}
