"""Where the files of one logger meet: rows that stand in two of them, times that none of them covers, files of another.

Rows of the same time in two files must be equal: where they mostly are not, the files are not parts of one log.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from forensics.intake.points.duplicates import DUPLICATE
from forensics.intake.points.resolved import ResolvedTimes
from forensics.intake.table.raw_table import FileCounts
from forensics.intake.timestamps.wording import in_units
from forensics.model.points import NS, iso
from forensics.model.row_numbers import FILE_ROWS

_FEW_ROWS = 3  # a seam may hold the last row of one file and the first of the next
_MOST_SAID = 5
_GAP_STEPS = 3.0  # a step of so many usual ones is a gap


def ranges_of(
    t: NDArray[np.int64], file: NDArray[np.int64], outside: Sequence[tuple[int | None, int | None]]
) -> list[tuple[int | None, int | None]]:
    """First and last time of each file, its rows far outside the window included.

    Parameters
    ----------
    t, file
        ns UTC and number of the file of every row, shape (n,).
    outside
        Range of the rows that were dropped while reading, of each file.
    """
    out: list[tuple[int | None, int | None]] = []
    for number, (low, high) in enumerate(outside, start=1):
        own = t[file == number]
        ends = [end for end in (low, high) if end is not None]
        ends += [int(own.min()), int(own.max())] if len(own) else []
        out.append((min(ends), max(ends)) if ends else (None, None))
    return out


def look_at_seams(
    settled: ResolvedTimes, files: Sequence[FileCounts], rows: NDArray[np.int64], keys: NDArray[np.int32] | None
) -> list[str]:
    """Sentences about overlaps and gaps between files; sets ``conflict`` where two of them can't be of one log.

    Parameters
    ----------
    rows, keys
        Source row, and for long layouts the number of the point, of every gathered row, shape (n,).
    """
    dropped = np.array([place for place, reason in settled.aside if reason == DUPLICATE], np.int64)
    order = sorted((ends[0], number) for number, ends in enumerate(settled.ranges, start=1) if ends[0] is not None)
    usual = _usual_step(settled.t)
    overlaps: list[str] = []
    gaps: list[tuple[int, str]] = []
    for (_, one), (start, other) in pairwise(order):
        end = settled.ranges[one - 1][1]
        if start is None or end is None:
            continue
        names = files[one - 1].path, files[other - 1].path
        if start > end:
            if usual and start - end > _GAP_STEPS * usual:
                text = f"no file covers {iso(end)} to {iso(start)} ({in_units((start - end) / NS)})"
                gaps.append((start - end, text))
            continue
        equal, different = _overlap(settled, rows, keys, dropped, (one, other), (start, end))
        if different > max(_FEW_ROWS, equal):
            settled.conflict = settled.conflict or (
                f"{names[0]} and {names[1]} both cover {iso(start)} to {iso(end)}, with {different} rows that differ "
                f"and {equal} that are equal: they are not parts of one log"
            )
        elif equal or different:
            said = f"{names[0]} and {names[1]} overlap: {equal} rows that stand in both count once"
            overlaps.append(said + (f", {different} that differ are kept and marked" if different else ""))
    gaps.sort(key=lambda gap: -gap[0])
    return [*_some(overlaps, "overlaps"), *_some([text for _, text in gaps], "gaps between files")]


def _some(texts: list[str], what: str) -> list[str]:
    more = len(texts) - _MOST_SAID
    return texts[:_MOST_SAID] + ([f"there are {more} more {what}"] if more > 0 else [])


def _usual_step(t: NDArray[np.int64]) -> float:
    """A step that hardly any is longer than; 0 where there are too few to tell."""
    steps = np.diff(np.sort(t)) if not bool((np.diff(t) >= 0).all()) else np.diff(t)
    steps = steps[steps > 0]
    return float(np.quantile(steps, 0.99)) if len(steps) else 0.0


def _overlap(
    settled: ResolvedTimes,
    rows: NDArray[np.int64],
    keys: NDArray[np.int32] | None,
    dropped: NDArray[np.int64],
    pair: tuple[int, int],
    span: tuple[int, int],
) -> tuple[int, int]:
    """Rows of two files in the time that both cover: how many are equal, and how many of the fewer differ."""
    low, high = span
    within = settled.position[(settled.t >= low) & (settled.t <= high)]
    file = rows[within] // FILE_ROWS
    parts = [within[file == number] for number in pair]
    gone = int(np.isin(rows[dropped] // FILE_ROWS, pair).sum()) if len(dropped) else 0
    if keys is not None:
        twice = [set(keys[part].tolist()) for part in parts]
        known = set(keys[dropped].tolist()) if len(dropped) else set()
        both = np.array(sorted((twice[0] & twice[1]) | known), np.int32)
        parts = [part[np.isin(keys[part], both)] for part in parts]
    left = min(len(parts[0]) - gone, len(parts[1]))
    return gone, max(left, 0)
