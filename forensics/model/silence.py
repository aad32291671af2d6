"""Silence of a whole source: where a log of changes stops writing anything, what it wrote last is no longer believed.

One point of such a log may stand still for hours; all of its points together do not, where they wrote every few
seconds before and after.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS, UNKNOWN, Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded

Times = NDArray[np.int64]
_ENOUGH_ROWS = 200
_USUAL = 99.0
P = TypeVar("P", Samples, Switch)


def silences(points: Iterable[Samples | Switch], *, least_s: float, times_usual: float) -> tuple[tuple[int, int], ...]:
    """Gaps in the rows of all points of one source that are no pause of its changes, ns UTC.

    Parameters
    ----------
    least_s
        Shorter gaps are none, s.
    times_usual
        A silence is so many times longer than 99 of 100 gaps.
    """
    stamps = [p.t for p in points if len(p)]
    if not stamps:
        return ()
    # times of one point come sorted: merging them costs far less than telling the unique ones by their hash
    t = np.sort(np.concatenate(stamps), kind="stable")
    t = t[np.append(True, t[1:] != t[:-1])]
    if len(t) < _ENOUGH_ROWS:
        return ()
    gaps = np.diff(t)
    limit = max(least_s * NS, times_usual * float(np.percentile(gaps, _USUAL)))
    return tuple((int(t[i]), int(t[i + 1])) for i in np.flatnonzero(gaps > limit))


def with_silences(record: Record, *, least_s: float, times_usual: float) -> Record:
    """The record with the logs of changes unread from where their source fell silent to their own next row."""
    found: dict[str, tuple[tuple[int, int], ...]] = {}
    for source, points in _by_source(record).items():
        if not any(point.origin.recorded is Recorded.CHANGE for point in points):
            continue  # only what holds until its next row is believed through a silence
        gaps = silences(points, least_s=least_s, times_usual=times_usual)
        if gaps:
            found[source] = gaps
    if not found:
        return record
    return replace(
        record,
        samples={role: tuple(_cut(p, found) for p in points) for role, points in record.samples.items()},
        switches={role: tuple(_cut(p, found) for p in points) for role, points in record.switches.items()},
    )


def _by_source(record: Record) -> dict[str, list[Samples | Switch]]:
    every: list[Samples | Switch] = [p for points in record.samples.values() for p in points]
    every += [p for points in record.switches.values() for p in points]
    found: dict[str, list[Samples | Switch]] = {}
    for point in every:
        found.setdefault(point.origin.source, []).append(point)
    return found


def _cut(point: P, silent: dict[str, tuple[tuple[int, int], ...]]) -> P:
    gaps = silent.get(point.origin.source, ())
    if point.origin.recorded is not Recorded.CHANGE or not len(point) or not gaps:
        return point
    begins = np.array([begin for begin, _ in gaps if point.t[0] <= begin], dtype=np.int64) + NS
    if not len(begins):
        return point
    if isinstance(point, Switch):
        at = np.searchsorted(point.t, begins, side="right")
        rows = point.row[at - 1]
        state = np.insert(point.state, at, np.int8(UNKNOWN))
        return replace(point, t=np.insert(point.t, at, begins), state=state, row=np.insert(point.row, at, rows))
    return replace(point, lost=begins if point.lost is None else np.union1d(point.lost, begins))
