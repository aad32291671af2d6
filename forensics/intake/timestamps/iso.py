"""Stamps that are year-first, without offset, and all of one form: read by the library, with the grammar's own answer.

Source: ISO 8601-1:2019 for the form; what the library refuses (24:00, second 60, another form) the grammar reads.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.arrow_arrays import numpy_of

_FORMS = {16: ("s", 60 * 10**9), 19: ("s", 10**9), 23: ("ms", 10**6), 26: ("us", 10**3)}
_UNIT_NS = {"s": 10**9, "ms": 10**6, "us": 10**3}
_GAP, _POINT, _DASH, _COLON = 10, 19, 45, 58
_GAPS = (ord(" "), ord("T"))
_FIRST_S, _LAST_S = -9_214_560_000, 9_214_560_000  # 1678 to 2261: what ns in 64 bits hold


@dataclass(frozen=True, slots=True)
class IsoStamps:
    """Wall-clock ns of a block, one of its stamps as written, and the finest unit that is written."""

    local: NDArray[np.int64]
    example: str
    resolution_ns: int


def read_iso(texts: Any) -> IsoStamps | None:
    """Read a block of stamps; None where they are not all of one year-first form, so that the grammar must look.

    Parameters
    ----------
    texts
        pyarrow string array, shape (n,).
    """
    import pyarrow as pa

    if isinstance(texts, pa.ChunkedArray):
        if texts.num_chunks != 1:
            return None
        texts = texts.chunk(0)
    count = len(texts)
    if not count or texts.null_count or not pa.types.is_string(texts.type):
        return None
    _, offsets, data = texts.buffers()
    edges = np.frombuffer(offsets, np.int32)[texts.offset : texts.offset + count + 1]
    width = int(edges[1] - edges[0])
    if width not in _FORMS or int(edges[-1] - edges[0]) != width * count or bool((np.diff(edges) != width).any()):
        return None
    places = np.frombuffer(data, np.uint8)[int(edges[0]) : int(edges[-1])].reshape(count, width)
    first = places[0]
    if int(first[_GAP]) not in _GAPS or int(first[4]) != _DASH or int(first[13]) != _COLON:
        return None
    if bool((places[:, _GAP] != first[_GAP]).any()) or (width > _POINT and int(first[_POINT]) != ord(".")):
        return None
    unit, resolution_ns = _FORMS[width]
    try:
        counted = numpy_of(texts.cast(pa.timestamp(unit)), np.int64)
    except pa.ArrowInvalid:
        return None
    scale = _UNIT_NS[unit]
    if int(counted.min()) < _FIRST_S * 10**9 // scale or int(counted.max()) > _LAST_S * 10**9 // scale:
        return None
    return IsoStamps(counted * np.int64(scale), first.tobytes().decode(), resolution_ns)
