"""Which order of day and month a column has: evidence for each, gathered block by block."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.intake.timestamps.calendar import days_of, is_date
from forensics.intake.timestamps.fields import DAY_NS, FIXED, LEAP_YEAR, NO_YEAR, OPEN, PIVOT, Fields


@dataclass(slots=True)
class Evidence:
    """Where the first stamp stands that settles an order."""

    row: int
    text: str


@dataclass(slots=True)
class OrderCount:
    """How many OPEN stamps fit which order of day and month, with the first and last that settle each.

    Attributes
    ----------
    same
        Stamps whose day and month are equal: they say the same in both orders.
    year_first
        Of the stamps with two-digit years, those whose year may stand first as well.
    example
        The first OPEN stamp, as written.
    first, last
        Range of the first and of the last number of stamps with two-digit years.
    """

    total: int = 0
    both: int = 0
    same: int = 0
    example: Evidence | None = None
    day_first: Evidence | None = None
    month_first: Evidence | None = None
    last_day_first: int = 0
    last_month_first: int = 0
    dashed: int = 0
    short: int = 0
    year_first: int = 0
    first: tuple[int, int] = (99, 0)
    last: tuple[int, int] = (9999, 0)

    @property
    def counts_up_last(self) -> bool:
        """Whether the last number runs on while the first stands still, as days do behind a year."""
        steady = self.first[1] - self.first[0] <= 1
        return self.short == self.total == self.year_first and steady and self.last[1] > self.last[0]

    def year_may_stand_first(self, failure_year: int | None) -> bool:
        """Whether the first number fits the year of the failure, and the last one does not."""
        if failure_year is None or not self.short == self.total == self.year_first:
            return False
        year = failure_year % 100
        first, last = (min(abs(end - year) for end in ends) for ends in (self.first, [y % 100 for y in self.last]))
        return first <= 1 < last

    @property
    def interleaved(self) -> bool:
        """Whether stamps of the one order stand between stamps of the other."""
        if self.day_first is None or self.month_first is None:
            return False
        return self.last_day_first > self.month_first.row and self.last_month_first > self.day_first.row

    def look(self, fields: Fields, rows: NDArray[np.int64], text_at: Callable[[int], str]) -> None:
        """Take in one block; ``text_at(position)`` gives the text of a stamp."""
        is_open = fields.form == OPEN
        if not is_open.any():
            return
        p, q = fields.p, fields.q
        year = np.where(fields.year == NO_YEAR, LEAP_YEAR, fields.year.astype(np.int64))
        as_day = is_date(year, q.astype(np.int64), p.astype(np.int64))
        as_month = is_date(year, p.astype(np.int64), q.astype(np.int64))
        if self.example is None:
            place = int(np.flatnonzero(is_open)[0])
            self.example = Evidence(int(rows[place]), text_at(place))
        if fields.short:
            self._look_short(fields, is_open)
        self.total += int(is_open.sum())
        self.both += int((is_open & as_day & as_month).sum())
        self.same += int((is_open & (p == q)).sum())
        for name, mask in (("day_first", as_day & ~as_month), ("month_first", as_month & ~as_day)):
            found = np.flatnonzero(is_open & mask)
            if getattr(self, name) is None and len(found):
                setattr(self, name, Evidence(int(rows[found[0]]), text_at(int(found[0]))))
            if len(found):
                setattr(self, f"last_{name}", int(rows[found[-1]]))

    def _look_short(self, fields: Fields, is_open: NDArray[np.bool_]) -> None:
        two, last = fields.p.astype(np.int64), fields.year.astype(np.int64)
        as_year = is_date(np.where(two >= PIVOT, two + 1900, two + 2000), fields.q.astype(np.int64), last % 100)
        count = int(is_open.sum())
        self.short += count
        self.dashed += count if fields.dashed else 0
        self.year_first += int((is_open & as_year).sum())
        two, last = two[is_open], last[is_open]
        self.first = (min(self.first[0], int(two.min())), max(self.first[1], int(two.max())))
        self.last = (min(self.last[0], int(last.min())), max(self.last[1], int(last.max())))


def local_ns(fields: Fields, order: str) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Time of each stamp on its own wall clock, ns after 1970-01-01, and whether it could be had.

    Parameters
    ----------
    order
        ``DMY`` or ``MDY`` for OPEN stamps (``YMD`` for two-digit years written first).
    """
    good = (fields.form == FIXED) | (fields.form == OPEN)
    is_open = fields.form == OPEN
    year = fields.year.astype(np.int64)
    if fields.yearless:
        year = np.where(year == NO_YEAR, LEAP_YEAR, year)
    month, day = fields.p.astype(np.int64), fields.q.astype(np.int64)
    if is_open.any():
        if order == "DMY":
            month, day = np.where(is_open, day, month), np.where(is_open, month, day)
        elif order == "YMD":
            first = month.copy()
            swapped = np.where(first >= PIVOT, first + 1900, first + 2000)
            two = year % 100
            month, day = np.where(is_open, day, month), np.where(is_open, two, day)
            year = np.where(is_open, swapped, year)
        good = good & is_date(year, month, day)
    year, month, day = (np.where(good, part, 1) if not good.all() else part for part in (year, month, day))
    if not good.all():
        year = np.where(good, year, 1970)
    return days_of(year, month, day) * DAY_NS + fields.tod_ns, good
