"""What one value of a case file may be: numbers that are finite and plausible, times that a log can bear, plain text.

Checked at the border, so that nothing inside has to ask whether a number is a number.
"""

from __future__ import annotations

import codecs
import math
import re
import unicodedata
from datetime import UTC, date, datetime
from functools import cache
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import AfterValidator, BeforeValidator, Field

from forensics.rules.plausible import plausible

_DURATION = re.compile(r"^\s*(\d{1,15}(?:\.\d{1,15})?)\s*(s|min|h|d)\s*$")
_DURATION_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_FIXED_OFFSET = re.compile(r"^[+-](0\d|1[0-4]):[0-5]\d$")
_UNFIT = ("Cc", "Cs", "Zl", "Zp")
_LINE_ENDS = "\n\r\t"
_EARLIEST, _LATEST = datetime(1980, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
_NO_TEXT = frozenset(
    {"idna", "punycode", "unicode-escape", "raw-unicode-escape", "undefined", "charmap", "mbcs", "oem"}
)
LONGEST_TEXT, LONGEST_LINE, _SHOWN = 20_000, 1_000, 60


def read_duration_s(text: object) -> float:
    """Read ``"36h"``, ``"15min"``, ``"30d"`` or ``"10s"`` as seconds."""
    match = _DURATION.match(text) if isinstance(text, str) else None
    if match is None:
        raise ValueError("write a duration as text with its unit: 30s, 15min, 36h or 7d")
    seconds = float(match[1]) * _DURATION_S[match[2]]
    longest_s = plausible()["duration_s"].high
    if seconds > longest_s:
        raise ValueError(f"a duration is at most a hundred years ({longest_s / 86400.0:.0f}d)")
    return seconds


def _number(value: object) -> object:
    """TOML integers may stand where a number is asked for; text and booleans may not."""
    if isinstance(value, int) and not isinstance(value, bool):
        try:
            return float(value)
        except OverflowError:
            raise ValueError("the number has more digits than any quantity") from None
    return value


def within(name: str) -> AfterValidator:
    """The number lies in the range of that name in ``rules/plausible.toml``."""

    def check(value: float) -> float:
        fault = plausible()[name].fault(value)
        if fault:
            raise ValueError(fault)
        return value

    return AfterValidator(check)


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{value} is not a finite number")
    return value


def _on_a_calendar(value: datetime) -> datetime:
    whole = value if value.tzinfo else value.replace(tzinfo=UTC)
    if not _EARLIEST.timestamp() <= whole.timestamp() < _LATEST.timestamp():
        raise ValueError(
            f"the year {value.year} is not between 1980 and 2199: the clock was not set, or it is mistyped"
        )
    return value


def _day_on_a_calendar(value: date) -> date:
    years = plausible()["year"]
    if not years.low <= value.year <= years.high:
        raise ValueError(f"the year {value.year} is not between {years.low:.0f} and {years.high:.0f}")
    return value


def _plain(value: str, *, allowed: str, longest: int) -> str:
    if len(value) > longest:
        raise ValueError(f"the text has {len(value)} characters; {longest} are enough")
    odd = next((sign for sign in value if unicodedata.category(sign) in _UNFIT and sign not in allowed), None)
    if odd is not None:
        raise ValueError(f"the text holds the control character U+{ord(odd):04X}; write it without")
    return value


def one_line(value: str) -> str:
    """Return a text of one line without control characters, or raise ValueError."""
    return _plain(value, allowed="", longest=LONGEST_LINE)


def _as_in_a_file(value: str) -> str:
    """The name of a column, or a word in a cell: either may run over lines, as cells do."""
    return _plain(value, allowed=_LINE_ENDS, longest=LONGEST_LINE)


def _several_lines(value: str) -> str:
    return _plain(value, allowed=_LINE_ENDS + "\u2028\u2029", longest=LONGEST_TEXT)


Number = Annotated[float, BeforeValidator(_number), AfterValidator(_finite)]
Positive = Annotated[float, BeforeValidator(_number), Field(gt=0), AfterValidator(_finite)]
Duration = Annotated[float, BeforeValidator(read_duration_s)]
Stamp = Annotated[datetime, AfterValidator(_on_a_calendar)]
Day = Annotated[date, AfterValidator(_day_on_a_calendar)]
Line = Annotated[str, AfterValidator(one_line)]
Name = Annotated[str, AfterValidator(_as_in_a_file)]
Text = Annotated[str, AfterValidator(_several_lines)]


def check_zone(name: str) -> str:
    """Return a zone name that the zone database knows, or raise ValueError with the nearest ones."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        near = _near_zones(name[:_SHOWN])
        hint = f" (did you mean {' or '.join(near)}?)" if near else ""
        raise ValueError(f"'{name[:_SHOWN]}' is not an IANA time zone{hint}") from None
    return name


@cache
def _zones() -> tuple[str, ...]:
    return tuple(sorted(available_timezones()))


def _near_zones(name: str) -> list[str]:
    from rapidfuzz import fuzz, process

    return [zone for zone, _, _ in process.extract(name, _zones(), scorer=fuzz.ratio, limit=2, score_cutoff=60)]


def local_to_utc(stamp: datetime, zone: str) -> datetime:
    """UTC of a stamp that is local to ``zone`` unless it carries an offset (a repeated hour: the first pass)."""
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC)


def check_source_zone(name: str) -> str:
    """A zone of the database, a fixed offset such as ``-06:00``, or nothing."""
    return name if not name or _FIXED_OFFSET.match(name) else check_zone(name)


def check_encoding(name: str) -> str:
    """Return the name of a codec that gives text from bytes, or raise ValueError.

    Others of the library's codecs unpack, or turn text into text (zip, hex, rot13): they are no encodings of an export.
    """
    if not name:
        return name
    remedy = "use utf-8, utf-16, cp1252, iso8859-1 or another encoding of text"
    try:
        found = codecs.lookup(name)
    except (LookupError, ValueError):
        raise ValueError(f"encoding '{name[:_SHOWN]}' is not known; {remedy}") from None
    is_text = bool(getattr(found, "_is_text_encoding", True))
    if not is_text or found.incrementaldecoder is None or found.name.replace("_", "-") in _NO_TEXT:
        raise ValueError(f"encoding '{name[:_SHOWN]}' is no encoding of text; {remedy}")
    return name


def check_delimiter(mark: str) -> str:
    """Return one character that can stand between fields, or raise ValueError."""
    if not mark:
        return mark
    if len(mark) != 1 or not mark.isascii() or mark.isalnum() or mark == '"' or (mark < " " and mark != "\t"):
        raise ValueError("a delimiter is one ASCII character that is no letter, digit or quote: , ; | or a tab")
    return mark
