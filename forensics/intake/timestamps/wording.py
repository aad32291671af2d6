"""Stamps in words, for questions and notes: English, whatever the machine's locale."""

from __future__ import annotations

from datetime import UTC, datetime

from forensics.intake.timestamps.zones import fixed_offset_s, offset_of, offset_text
from forensics.model.points import NS

_SHORT_DAYS = 2.0


def date_of(local: int) -> datetime:
    """Wall-clock time as a datetime."""
    return datetime.fromtimestamp(local // NS, UTC)


def clock_of(local: int) -> str:
    """Time of day, without seconds where they are zero."""
    return date_of(local).strftime("%H:%M:%S").removesuffix(":00")


def standard_offset(zone: str, local: int) -> str:
    """Offset of standard time, as ``-06:00``."""
    if fixed_offset_s(zone) is not None:
        return zone
    return offset_text(min(offset_of(local + days * 86_400 * NS, zone) for days in (0, 91, 182, 273)))


_MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]


def in_words(stamp: datetime, *, year: bool = True) -> str:
    """A date in words."""
    text = f"{stamp.day} {_MONTHS[stamp.month - 1]}"
    return f"{text} {stamp.year}" if year else text


def between(low: datetime, high: datetime) -> str:
    """A range of dates in words."""
    if (low.year, low.month) == (high.year, high.month):
        return f"{low.day} to {in_words(high)}"
    if low.year == high.year:
        return f"{in_words(low, year=False)} to {in_words(high)}"
    return f"{in_words(low)} to {in_words(high)}"


def in_units(seconds: float) -> str:
    """A length of time in the largest unit of which it has two."""
    for size, name in ((86_400.0, "days"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.4g} {name}"
    return f"{seconds:.4g} s"


def length_of(days: float) -> str:
    """A length of time in words."""
    if days == int(days):
        return "1 day" if days == 1 else f"{int(days)} days"
    return f"{days:.1f} days" if days > _SHORT_DAYS else f"{days * 24:.1f} hours"
