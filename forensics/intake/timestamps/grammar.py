"""The forms in which loggers write a stamp, as patterns.

Source: ISO 8601-1:2019 for the year-first forms; the rest is common practice, no published source.
"""

from __future__ import annotations

import re
from functools import cache

_MONTH = r"(?P<mon>[^\W\d_](?:[^\W\d_]|[\u0300-\u036f])*)\.?"  # accents may stand as marks of their own
_DATES = (
    r"(?P<y>\d{4})(?P<s>[-/.])(?P<m>\d{1,2})(?P=s)(?P<d>\d{1,2})",
    r"(?P<p>\d{1,2})(?P<s>[-/.])\s?(?P<q>\d{1,2})(?P=s)\s?(?P<y>\d{4}|\d{2})",
    r"(?P<d>\d{1,2})(?:st|nd|rd|th|er|\.|º|ª)?[-/ ]?\s*(?:de\s+)?"
    + _MONTH
    + r",?(?:[-/ ]|\s)*(?:de\s+)?(?P<y>\d{4}|\d{2})",
    _MONTH + r"[-/ ]\s*(?P<d>\d{1,2})(?:st|nd|rd|th)?,?[-/ ]\s*(?P<y>\d{4})",
    r"(?P<y>\d{4})[-/. ]" + _MONTH + r"[-/. ](?P<d>\d{1,2})",
    r"(?P<y>\d{4})(?P<m>\d{2})(?P<d>\d{2})",
)
_YEARLESS = (
    r"(?P<p>\d{1,2})(?P<s>[-/.])(?P<q>\d{1,2})\.?",
    r"(?P<d>\d{1,2})\.?[-/ ]\s*" + _MONTH,
    _MONTH + r"[-/ ]\s*(?P<d>\d{1,2}),?",
)
_TIMES = (
    r"(?P<H>\d{1,2})\s?[:h.]\s?(?P<M>\d{2})(?:[:m.]\s?(?P<S>\d{2})(?:[.,:](?P<f>\d{1,9}))?s?)?",
    r"(?P<H>\d{2})(?P<M>\d{2})(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))?",
    r"(?P<H>\d{2})(?P<M>\d{2})",
)
_HALF = r"(?:\s*(?P<ap>[AaPp])\.?\s?[Mm]\b\.?|(?P<ap1>[ap])(?![a-z]))?"
_ZONE = (
    r"(?:\s*(?P<z>[Zz]|(?:UTC|GMT)?\s?[+-]\d{2}:?\d{2}|(?:UTC|GMT)?[+-]\d{1,2}|\(?[A-Za-z]{2,5}\)?)(?:\s*\[[^\]]*\])?)?"
)
_WEEKDAY = r"(?:(?P<wd>[^\W\d_]{2,})\.?,?\s+)?"
_UNIX_DATE = re.compile(
    r"(?P<wd>[^\W\d_]{2,})\s+(?P<mon>[^\W\d_]+)\s+(?P<d>\d{1,2})\s+(?P<H>\d{1,2}):(?P<M>\d{2}):(?P<S>\d{2})"
    r"(?:\.(?P<f>\d{1,9}))?\s+(?:(?P<z>[A-Za-z]{2,5}|[+-]\d{4})\s+)?(?P<y>\d{4})"
)
_LONG_DATE = re.compile(
    r"(?P<wd>[^\W\d_]{2,})\s+(?P<mon>[^\W\d_]+)\s+(?P<d>\d{1,2})\s+(?P<y>\d{4})\s+(?P<H>\d{1,2}):(?P<M>\d{2}):(?P<S>\d{2})"
    r"(?:\s+(?P<z>(?:UTC|GMT)?[+-]\d{2}:?\d{2}|[A-Za-z]{2,5})(?:\s+\([^()]*\))?)?"
)
EPOCH_NUMBER = re.compile(r"(?P<e>\d{5}|\d{9,10}|\d{13}|\d{16}|\d{19})(?:[.,](?P<ef>\d{1,15}))?")


@cache
def grammar() -> tuple[re.Pattern[str], ...]:
    """Forms of a stamp, the most telling first; groups: y m d (or p q y, or mon), H M S f, ap, z, wd."""
    gap = r"(?:\s*[Tt,;_-]\s*|\s+)"
    out = [_UNIX_DATE, _LONG_DATE]
    for date in _DATES:
        compact = date is _DATES[-1]
        times = _TIMES if compact else _TIMES[:1]
        out.extend(re.compile(_WEEKDAY + date + gap + time + _HALF + _ZONE) for time in times)
        if compact:
            out.extend(re.compile(date + time) for time in _TIMES[1:])
        else:
            out.append(re.compile(_TIMES[0] + _HALF + gap + _WEEKDAY + date))
        out.append(re.compile(_WEEKDAY + date))
    out.append(re.compile(_TIMES[0] + _HALF + _ZONE))
    for date in _YEARLESS:  # only with a time of day: two numbers alone are no date
        out.append(re.compile(_WEEKDAY + date + gap + _TIMES[0] + _HALF + _ZONE))
    return tuple(out)
