"""Times of one export once they are settled."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(slots=True)
class ResolvedTimes:
    """Times of an export on its own clock, in UTC.

    Attributes
    ----------
    position
        Rows (positions among the gathered ones) that are kept, in order of time.
    t, flags
        ns UTC and quality flags of the kept rows.
    aside
        Position and reason of rows that are set aside here; ``outside`` the positions of rows outside the window.
    first_ns, last_ns
        Range of all rows with a time; ``ranges`` those of each file.
    conflict
        Why the files of the source can't be those of one logger; empty where they can.
    """

    position: NDArray[np.int64]
    t: NDArray[np.int64]
    flags: NDArray[np.uint16]
    aside: list[tuple[int, str]] = field(default_factory=list)
    outside: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    first_ns: int | None = None
    last_ns: int | None = None
    ranges: list[tuple[int | None, int | None]] = field(default_factory=list)
    conflict: str = ""
    resolution_s: float = 1.0
    direction: int = 1

    def keep_only(self, chosen: NDArray[np.bool_]) -> None:
        """Drop the rows that are not chosen."""
        if chosen.all():
            return
        self.t, self.position, self.flags = self.t[chosen], self.position[chosen], self.flags[chosen]
