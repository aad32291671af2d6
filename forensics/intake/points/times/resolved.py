"""Times of one export once they are settled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import UNKNOWN, Samples
from forensics.model.switches import Switch
from forensics.model.vocabulary import Quality, Recorded


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
    doubts
        Earliest time, ns UTC, and position of each row whose time is one of two: what it told holds from either on.
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
    doubts: list[tuple[int, int]] = field(default_factory=list)
    conflict: str = ""
    resolution_s: float = 1.0
    direction: int = 1

    def keep_only(self, chosen: NDArray[np.bool_]) -> None:
        """Drop the rows that are not chosen."""
        if chosen.all():
            return
        self.t, self.position, self.flags = self.t[chosen], self.position[chosen], self.flags[chosen]


def unknown_from(point: Switch, doubts: Sequence[tuple[int, int]]) -> Switch:
    """A switch whose state is unknown from each doubtful time until its next row.

    Parameters
    ----------
    doubts
        Time in ns UTC and source row of each row that may have changed the state.
    """
    if not doubts or not len(point):
        return point
    t = np.concatenate((point.t, np.array([time for time, _ in doubts], np.int64)))
    order = np.argsort(t, kind="stable")
    state = np.concatenate((point.state, np.full(len(doubts), UNKNOWN, np.int8)))
    row = np.concatenate((point.row, np.array([row for _, row in doubts], np.int64)))
    return replace(point, t=t[order], state=state[order], row=row[order])


def missing_from(point: Samples, doubts: Sequence[tuple[int, int]]) -> Samples:
    """A point of a log of changes without a value from each doubtful time until its next row; others stay."""
    if not doubts or not len(point) or point.origin.recorded is not Recorded.CHANGE:
        return point
    t = np.concatenate((point.t, np.array([time for time, _ in doubts], np.int64)))
    order, count = np.argsort(t, kind="stable"), len(doubts)
    return replace(
        point,
        t=t[order],
        v=np.concatenate((point.v, np.full(count, np.nan)))[order],
        q=np.concatenate((point.q, np.full(count, int(Quality.MISSING), np.uint16)))[order],
        row=np.concatenate((point.row, np.array([row for _, row in doubts], np.int64)))[order],
    )
