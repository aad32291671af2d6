"""When an IEEE C37.111 record begins and was triggered: its two stamps, read in the order of its revision.

A 1991 record writes month/day/year with two digits for the year, later ones day/month/year (IEEE Std C37.111-1991,
-1999, C37.111-2013; from memory). A date that fits only the other order is asked about, never turned round.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal

from forensics.errors import Refused

NS = 1_000_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DATE = re.compile(r"^(\d{1,4})\s*[/.-]\s*(\d{1,2})\s*[/.-]\s*(\d{1,4})$")
_TIME = re.compile(r"^(\d{1,2}):(\d{1,2}):(\d{1,2})(?:[.,](\d{1,12}))?$")
_PIVOT = 69  # two-digit years: 69-99 are 19xx, 00-68 are 20xx (POSIX.1-2017, strptime %y)
_CENTURY = 100

Order = Literal["MDY", "DMY", "YMD"]
Written = tuple[int, int, int]
_ORDER_WORDS: dict[Order, str] = {"MDY": "month/day", "DMY": "day/month", "YMD": "year/month/day"}


@dataclass(frozen=True, slots=True)
class Stamp:
    """A stamp as written: three numbers of the date, time of day in ns, digits of its fraction; zeros for nothing."""

    date: Written = (0, 0, 0)
    year_first: bool = False
    clock_ns: int = 0
    digits: int = 0


def read_stamp(text: str) -> Stamp:
    """Read ``dd/mm/yyyy,hh:mm:ss.ssssss`` without choosing an order of day and month."""
    day, _, clock = text.partition(",")
    found_day, found_clock = _DATE.match(day.strip()), _TIME.match(clock.strip())
    if found_clock is None:
        return Stamp()
    hour, minute, second = (int(found_clock[k]) for k in (1, 2, 3))
    fraction = found_clock[4] or ""
    if hour > 23 or minute > 59 or second > 60:  # noqa: PLR2004 - a leap second is written as 60
        return Stamp(digits=len(fraction))
    ns = (hour * 3600 + minute * 60 + second) * NS + int((fraction + "0" * 9)[:9])
    if found_day is None:
        return Stamp(clock_ns=ns, digits=len(fraction))
    parts = (int(found_day[1]), int(found_day[2]), int(found_day[3]))
    return Stamp(parts, len(found_day[1]) > 2, ns, len(fraction))  # noqa: PLR2004 - a year of four digits


def _day(parts: Written, order: Order) -> date | None:
    first, second, third = parts
    year, month, day = {
        "MDY": (third, first, second),
        "DMY": (third, second, first),
        "YMD": (first, second, third),
    }[order]
    if year < _CENTURY:
        year += 1900 if year >= _PIVOT else 2000
    try:
        return date(year, month, day)
    except ValueError:
        return None


@dataclass(frozen=True, slots=True)
class Began:
    """Wall clock of first sample and trigger, ns since 1970, and how the dates were read."""

    start_ns: int
    trigger_ns: int | None
    order: Order
    evidence: str
    notes: tuple[str, ...]


def order_dates(start: Stamp, trigger: Stamp, *, revision: str, given: Order | None, row: int) -> Began:
    """Read the two dates in the order of the revision, or in the one that the case gives.

    Raises
    ------
    Refused
        There is no date, or the dates do not fit that order: then it is asked for.
    """
    if not any(start.date):
        raise Refused("the first sample carries no date and time: the record can't be placed in time", row=row)
    usual: Order = "YMD" if start.year_first else "MDY" if revision == "1991" else "DMY"
    order = given or usual
    seen = "year first" if start.year_first else f"order of revision {revision}"
    first = _day(start.date, order)
    second = _day(trigger.date, order) if any(trigger.date) else None
    if first is None or (any(trigger.date) and second is None):
        raise _question(start.date, trigger.date, order, revision, row)
    notes = []
    if given and given != usual:
        notes.append(
            f"dates are read {_ORDER_WORDS[given]} as the case says; revision {revision} has {_ORDER_WORDS[usual]}"
        )
    if start.date[0 if order == "YMD" else 2] < _CENTURY:
        notes.append(f"the year has two digits: taken as {first.year}")
    return Began(
        start_ns=_ns(first, start.clock_ns),
        trigger_ns=None if second is None else _ns(second, trigger.clock_ns),
        order=order,
        evidence="given in the case file" if given else seen,
        notes=tuple(notes),
    )


def _question(start: Written, trigger: Written, order: Order, revision: str, row: int) -> Refused:
    fits: list[Order] = [
        other
        for other in ("MDY", "DMY")
        if _day(start, other) is not None and (not any(trigger) or _day(trigger, other) is not None)
    ]
    written = "/".join(str(part) for part in start)
    if not fits:
        return Refused(f"'{written}' is not a date", row=row, remedy="Export the record again.")
    return Refused(
        f"the date {written} does not fit {_ORDER_WORDS[order]}, the order of revision {revision}: "
        f"the file does not keep to its revision; {_ORDER_WORDS[fits[0]]} would fit",
        row=row,
        remedy=f'Add date_order = "{fits[0]}" to this source if that is how this recorder writes dates.',
        stop=True,
    )


def _ns(day: date, clock_ns: int) -> int:
    midnight = datetime(day.year, day.month, day.day, tzinfo=UTC)
    return (midnight - _EPOCH) // timedelta(seconds=1) * NS + clock_ns
