"""Rows that stand twice: equal ones are set aside but the first, ones that differ are kept and marked."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from forensics.intake.settled import Settled
from forensics.vocabulary import Quality

DUPLICATE = "duplicate"


def set_duplicates_aside(
    settled: Settled,
    rows: NDArray[np.int64],
    keys: NDArray[np.int32] | None,
    texts: Callable[[list[int]], dict[int, str]],
) -> None:
    """Equal rows with equal stamps: the first is kept; rows that differ are kept and marked."""
    t, position = settled.t, settled.position
    if keys is None:
        order = np.arange(len(t)) if bool((np.diff(t) >= 0).all()) else np.argsort(t, kind="stable")
        same = np.diff(t[order]) == 0
    else:
        key = keys[position]
        if not len(key) or int(key.max()) < 2**15:
            key = key.astype(np.int16)
        order = np.argsort(key, kind="stable")
        if not bool((np.diff(t) >= 0).all()):
            order = np.lexsort((np.arange(len(t)), t, key))
        same = (np.diff(t[order]) == 0) & (np.diff(key[order]) == 0)
    if not same.any():
        return
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
        _one_group(order[start:end], position, rows, text, drop, differs, in_time=keys is not None)
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
    *,
    in_time: bool,
) -> None:
    """Mark one group of rows with equal stamps.

    In a change log a value that comes back within one stamp is a change, not a duplicate: only a row equal to the
    one before it is dropped there.
    """
    kept: list[int] = []
    seen: set[str] = set()
    last = ""
    for place in group:
        words = text[int(rows[position[place]])]
        if (in_time and kept and words == last) or (not in_time and words in seen):
            drop[place] = True
            continue
        seen.add(words)
        last = words
        kept.append(int(place))
    if len(kept) > 1:
        differs[kept] = True
