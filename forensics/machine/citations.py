"""The rows of the exports that a statement rests on."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from forensics.model.findings import Cite
from forensics.model.points import Samples, Switch


def rows_of(point: Samples | Switch | None, start_ns: int, end_ns: int) -> tuple[Cite, ...]:
    """Rows of a point between two times, both included, as one citation; empty where it has none there."""
    if point is None or not len(point):
        return ()
    low, high = np.searchsorted(point.t, [int(start_ns), int(end_ns) + 1])
    chosen = point.row[int(low) : int(high)]
    if not len(chosen):
        return ()
    return (Cite(point.origin.source, point.origin.column, (int(chosen.min()), int(chosen.max()))),)


def rows_of_each(points: Iterable[Samples | Switch | None], start_ns: int, end_ns: int) -> tuple[Cite, ...]:
    """Rows of several points between two times, a citation each; a point that has none there is left out."""
    return tuple(cite for point in points for cite in rows_of(point, start_ns, end_ns))
