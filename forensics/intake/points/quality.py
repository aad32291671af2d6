"""What quality columns, and states beside a value, say of the cells that they stand beside."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.lexicon import plain, read_words
from forensics.intake.points.bind import Binder
from forensics.intake.points.find_layout import Layout
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.values import BAD_QUALITY

_GOOD_BITS = 192  # where 192 and above are good, 0 is bad (quality bits of OPC Data Access 3.00; from memory)
_ZEROS = frozenset({"0", "00", "0x0", "0x00"})


def hide_bad_quality(gathered: RawTable, layout: Layout, binder: Binder) -> None:
    """Cells whose quality column says that they are no good become missing, with the quality as reason."""
    pairs = dict(layout.quality_of)
    if layout.layout == "long" and layout.quality_column is not None and layout.value_column is not None:
        pairs[layout.value_column] = layout.quality_column
    for column, quality in pairs.items():
        _hide(gathered, column, quality, _bad_words(gathered.words(quality)[0], binder))
    for column, status in layout.status_of.items():
        _hide(gathered, column, status, _lost_words(gathered.words(status)[0]))
    if layout.status_column is not None and layout.value_column is not None:
        _hide(gathered, layout.value_column, layout.status_column, _lost_words(gathered.words(layout.status_column)[0]))


def _bad_words(words: Sequence[str], binder: Binder) -> NDArray[np.bool_]:
    """Which words of a quality column say that a reading is no good: all that are not known to say the contrary."""
    good = read_words().quality_good
    numbers = {int(word) for word in words if re.fullmatch(r"\s*\d{1,5}\s*", word)}
    if any(number >= _GOOD_BITS for number in numbers):
        good = good - _ZEROS
    elif numbers == {0, 1}:
        binder.notes.append("the quality column holds 0 and 1; which of them is good is not known: all are read")
    return np.array([bool(word.strip()) and plain(word) not in good for word in words], bool)


def _lost_words(words: Sequence[str]) -> NDArray[np.bool_]:
    """Which words of a column of states say that there was no reading; a fault may be the machine's own."""
    known = read_words()
    lost = known.missing - known.asked_for_trip
    return np.array([bool(word.strip()) and plain(word) in lost for word in words], bool)


def _hide(gathered: RawTable, column: int, quality: int, bad: NDArray[np.bool_]) -> None:
    """Put the quality in place of the cells of a column where it is one of the bad words."""
    if not bad.any():
        return
    words, codes = gathered.words(quality)
    bad_rows = bad[codes]
    start = 0
    for piece in gathered.pieces:
        part = bad_rows[start : start + len(piece.row)]
        if part.any():
            reasons = [f"{BAD_QUALITY}{words[int(c)]}" for c in codes[start : start + len(piece.row)]]
            piece.columns[column] = _masked(gathered, piece.columns[column], part, reasons)
        start += len(piece.row)


def _masked(gathered: RawTable, cells: Any, bad: NDArray[np.bool_], reasons: Sequence[str]) -> Any:
    import pyarrow as pa

    if isinstance(cells, np.ndarray):
        plain_cells = gathered.written(cells)
    else:
        plain_cells = [text or "" for text in cells.to_pylist()]
    return pa.array([reasons[i] if bad[i] else text for i, text in enumerate(plain_cells)], pa.string())
