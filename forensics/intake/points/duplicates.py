"""Rows that stand twice: equal ones are set aside but the first, ones that differ are kept and marked."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from forensics.intake.points.resolved import ResolvedTimes
from forensics.model.vocabulary import Quality

DUPLICATE = "duplicate"


def set_duplicates_aside(
    settled: ResolvedTimes,
    rows: NDArray[np.int64],
    keys: NDArray[np.int32] | None,
    texts: Callable[[list[int]], dict[int, str]],
) -> None:
    """Equal rows with equal stamps: the first is kept; rows that differ are kept and marked."""
    t, position = settled.t, settled.position
    if keys is None:
        order = np.arange(len(t)) if bool((np.diff(t) >= 0).all()) else np.argsort(t, kind="stable")
        same = np.diff(t[order]) == 0
        in_file = np.arange(len(t))
    else:
        key = keys[position]
        if not len(key) or int(key.max()) < 2**15:
            key = key.astype(np.int16)
        order = in_file = np.argsort(key, kind="stable")
        if not bool((np.diff(t) >= 0).all()):
            order = np.lexsort((np.arange(len(t)), t, key))
        same = (np.diff(t[order]) == 0) & (np.diff(key[order]) == 0)
    if not same.any():
        return
    rank = np.empty(len(t), np.int64)
    rank[in_file] = np.arange(len(t))
    member = np.zeros(len(t), bool)
    member[:-1] |= same
    member[1:] |= same
    places = order[member]
    text = texts([int(row) for row in rows[position[places]]])
    drop = np.zeros(len(t), bool)
    differs = np.zeros(len(t), bool)
    starts = np.flatnonzero(np.concatenate(([True], ~same)))
    ends = np.concatenate((starts[1:], [len(t)]))
    for start, end in zip(starts[ends - starts > 1], ends[ends - starts > 1], strict=True):
        _one_group(order[start:end], position, rows, text, drop, differs=differs, rank=rank)
    settled.flags[differs] |= np.uint16(Quality.DUPLICATE_DIFFERS)
    if drop.any():
        settled.aside.extend((int(i), DUPLICATE) for i in position[drop])
        settled.keep_only(~drop)


def _one_group(
    group: NDArray[np.int64],
    position: NDArray[np.int64],
    rows: NDArray[np.int64],
    text: dict[int, str],
    drop: NDArray[np.bool_],
    differs: NDArray[np.bool_],
    rank: NDArray[np.int64],
) -> None:
    """Mark one group of rows with equal stamps.

    Where such rows follow on each other in the file, a value that comes back is a change, not a duplicate: only a row
    equal to the one before it is dropped. Where other stamps stand between them, parts of an export overlap, and every
    row that was there before is dropped.

    Parameters
    ----------
    rank
        Place of each row in the file, among the rows of its own point.
    """
    kept: list[int] = []
    earlier: set[str] = set()
    run: set[str] = set()
    last, before = "", -2
    for place in group:
        words = text[int(rows[position[place]])]
        if int(rank[place]) != before + 1:
            earlier |= run
            run, last = set(), ""
        before = int(rank[place])
        if words in earlier or (run and words == last):
            drop[place] = True
            continue
        run.add(words)
        last = words
        kept.append(int(place))
    if len(kept) > 1:
        differs[kept] = True
