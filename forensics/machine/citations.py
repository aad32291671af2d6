"""The rows of the exports that a statement rests on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forensics.model.findings import Cite
from forensics.model.points import Samples
from forensics.model.row_numbers import place_of
from forensics.model.switches import Switch


def rows_of(point: Samples | Switch | None, start_ns: int, end_ns: int) -> tuple[Cite, ...]:
    """Rows of a point between two times, both included, as one citation; empty where it has none there."""
    if point is None or not len(point):
        return ()
    low, high = np.searchsorted(point.t, [int(start_ns), int(end_ns) + 1])
    chosen = point.row[int(low) : int(high)]
    if not len(chosen):
        return ()
    return (Cite(point.origin.source, point.origin.column, (int(chosen.min()), int(chosen.max()))),)


@dataclass(frozen=True, slots=True)
class FileRows:
    """One file of a source: its path, and its first and last row with a time."""

    path: str
    first: int
    last: int


def cites_by_file(cites: Iterable[Cite], files: Mapping[str, Sequence[FileRows]]) -> tuple[Cite, ...]:
    """The same rows, each with the file that it stands in, where a source has several.

    Parameters
    ----------
    files
        Path of a source to its files, in the order in which their rows are numbered.
    """
    out: list[Cite] = []
    for cite in cites:
        (first, low), (last, high) = place_of(cite.rows[0]), place_of(cite.rows[1])
        parts = files.get(cite.source, ())
        if not first or last > len(parts):
            out.append(cite)
            continue
        for number, part in enumerate(parts[first - 1 : last], start=first):
            rows = (low if number == first else part.first, high if number == last else part.last)
            out.append(Cite(part.path, cite.column, rows))
    return tuple(out)


def rows_of_each(points: Iterable[Samples | Switch | None], start_ns: int, end_ns: int) -> tuple[Cite, ...]:
    """Rows of several points between two times, a citation each; a point that has none there is left out."""
    return tuple(cite for point in points for cite in rows_of(point, start_ns, end_ns))
