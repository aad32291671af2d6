"""The fields of a column of stamps as written: no order of day and month, and no zone, is chosen for them yet."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

NO_OFFSET = -(2**31)
FIXED, OPEN, TIME_ONLY, EPOCH = 0, 1, 2, 3
DAY_NS = 86_400 * 10**9
NO_YEAR = 0
LEAP_YEAR = 2000  # the 29th of February may stand in a stamp without a year
PIVOT = 69  # two-digit years: 69-99 are 19xx, 00-68 are 20xx (POSIX.1-2017, strptime %y)


@dataclass(slots=True)
class Fields:
    """Fields of n stamps; nothing is decided yet.

    Attributes
    ----------
    form
        int8: FIXED (month and day known), OPEN (``p`` and ``q`` are day and month in either order), TIME_ONLY (no date)
        or EPOCH (a number: ``tod_ns`` holds nothing, ``number`` does); -1 where the stamp can't be read.
    year, p, q
        int16 and int8: year, or NO_YEAR where the stamp has none; month and day (FIXED) or first and second number as
        written (OPEN).
    tod_ns
        int64: time of day in ns, up to 24 h.
    offset_s
        int32: offset from UTC that the stamp carries, or NO_OFFSET.
    number
        float64 of EPOCH stamps, NaN elsewhere; ``digits`` int8 is the number of digits before the mark.
    resolution_ns
        Finest field that was written, over all stamps.
    zones
        Zone letters that were found, with the positions that carry them: resolved by the caller.
    bad_months
        Month names that no language of the table knows.
    dashed
        Whether two-digit years stand in stamps such as ``24-06-29``, where the year may also come first.
    short
        The same, with any mark between the numbers.
    """

    form: NDArray[np.int8]
    year: NDArray[np.int16]
    p: NDArray[np.int8]
    q: NDArray[np.int8]
    tod_ns: NDArray[np.int64]
    offset_s: NDArray[np.int32]
    number: NDArray[np.float64]
    digits: NDArray[np.int8]
    resolution_ns: int = 0
    zones: dict[str, list[NDArray[np.int64]]] = field(default_factory=dict)
    bad_months: dict[str, int] = field(default_factory=dict)
    month_names: set[str] = field(default_factory=set)
    shapes: list[str] = field(default_factory=list)
    dashed: bool = False
    short: bool = False

    def __len__(self) -> int:
        return len(self.form)

    @classmethod
    def empty(cls, count: int) -> Fields:
        """All unreadable."""
        return cls(
            form=np.full(count, -1, np.int8),
            year=np.zeros(count, np.int16),
            p=np.zeros(count, np.int8),
            q=np.zeros(count, np.int8),
            tod_ns=np.zeros(count, np.int64),
            offset_s=np.full(count, NO_OFFSET, np.int32),
            number=np.full(count, np.nan),
            digits=np.zeros(count, np.int8),
        )

    @property
    def yearless(self) -> bool:
        """Whether stamps with a date carry no year."""
        return bool((((self.form == FIXED) | (self.form == OPEN)) & (self.year == NO_YEAR)).any())

    def take(self, chosen: NDArray[Any]) -> Fields:
        """Some of the stamps, by mask or position; zone letters are resolved before."""
        return Fields(
            form=self.form[chosen],
            year=self.year[chosen],
            p=self.p[chosen],
            q=self.q[chosen],
            tod_ns=self.tod_ns[chosen],
            offset_s=self.offset_s[chosen],
            number=self.number[chosen],
            digits=self.digits[chosen],
            resolution_ns=self.resolution_ns,
            zones={},
            bad_months=dict(self.bad_months),
            month_names=set(self.month_names),
            shapes=list(self.shapes),
            dashed=self.dashed,
            short=self.short,
        )


def joined(parts: list[Fields]) -> Fields:
    """Several blocks of stamps as one column."""
    if len(parts) == 1:
        return parts[0]
    out = Fields.empty(0)
    for name in ("form", "year", "p", "q", "tod_ns", "offset_s", "number", "digits"):
        setattr(out, name, np.concatenate([getattr(part, name) for part in parts] or [getattr(out, name)]))
    for part in parts:
        out.resolution_ns = finer(out.resolution_ns, part.resolution_ns)
        out.bad_months.update(part.bad_months)
        out.month_names |= part.month_names
        out.dashed |= part.dashed
        out.short |= part.short
        out.shapes.extend(shape for shape in part.shapes if shape not in out.shapes)
    return out


def finer(one: int, other: int) -> int:
    """The finer of two resolutions; 0 stands for none."""
    return min(one, other) if one and other else one or other
