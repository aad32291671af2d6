"""What the stamps of a column say: text to fields, without choosing an order of day and month or a zone.

Stamps of equal shape (digits in the same places, everything else the same character for character) are read together:
one of them is matched against the grammar, the digits of all are summed in arrays. A column of one shape costs a few
passes over its bytes; a column of many shapes costs a few passes each.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.words import plain, read_words

NO_OFFSET = -(2**31)
FIXED, OPEN, TIME_ONLY, EPOCH = 0, 1, 2, 3
_DAY_NS = 86_400 * 10**9
_ZERO, _NINE = 48, 9
_LONGEST = 80  # bytes: no stamp is longer
_PIVOT = 69  # two-digit years: 69-99 are 19xx, 00-68 are 20xx (POSIX.1-2017, strptime %y)

_MONTH = r"(?P<mon>[^\W\d_]+)\.?"
_DATES = (
    r"(?P<y>\d{4})(?P<s>[-/.])(?P<m>\d{1,2})(?P=s)(?P<d>\d{1,2})",
    r"(?P<p>\d{1,2})(?P<s>[-/.])\s?(?P<q>\d{1,2})(?P=s)\s?(?P<y>\d{4}|\d{2})",
    r"(?P<d>\d{1,2})(?:st|nd|rd|th|\.|º)?[-/ ]?\s*(?:de\s+)?" + _MONTH + r",?(?:[-/ ]|\s)*(?:de\s+)?(?P<y>\d{4}|\d{2})",
    _MONTH + r"[-/ ]\s*(?P<d>\d{1,2})(?:st|nd|rd|th)?,?[-/ ]\s*(?P<y>\d{4})",
    r"(?P<y>\d{4})[-/. ]" + _MONTH + r"[-/. ](?P<d>\d{1,2})",
    r"(?P<y>\d{4})(?P<m>\d{2})(?P<d>\d{2})",
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
_EPOCH = re.compile(r"(?P<e>\d{5}|\d{9,10}|\d{13}|\d{16}|\d{19})(?:[.,](?P<ef>\d{1,15}))?")


@cache
def _grammar() -> tuple[re.Pattern[str], ...]:
    gap = r"(?:\s*[T,;_-]\s*|\s+)"
    out = [_UNIX_DATE]
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
    return tuple(out)


@dataclass(slots=True)
class Fields:
    """Fields of n stamps; nothing is decided yet.

    Attributes
    ----------
    form
        int8: FIXED (month and day known), OPEN (``p`` and ``q`` are day and month in either order), TIME_ONLY (no date)
        or EPOCH (a number: ``tod_ns`` holds nothing, ``number`` does); -1 where the stamp can't be read.
    year, p, q
        int16 and int8: year; month and day (FIXED) or first and second number as written (OPEN).
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

    def take(self, chosen: NDArray[Any]) -> Fields:
        """Some of the stamps, by mask or position; zone letters are resolved before."""
        return Fields(
            self.form[chosen], self.year[chosen], self.p[chosen], self.q[chosen], self.tod_ns[chosen],
            self.offset_s[chosen], self.number[chosen], self.digits[chosen], self.resolution_ns, {},
            dict(self.bad_months), set(self.month_names), list(self.shapes), self.dashed,
        )  # fmt: skip


def joined(parts: list[Fields]) -> Fields:
    """Several blocks of stamps as one column."""
    if len(parts) == 1:
        return parts[0]
    out = Fields.empty(0)
    for name in ("form", "year", "p", "q", "tod_ns", "offset_s", "number", "digits"):
        setattr(out, name, np.concatenate([getattr(part, name) for part in parts] or [getattr(out, name)]))
    for part in parts:
        out.resolution_ns = _finer(out.resolution_ns, part.resolution_ns)
        out.bad_months.update(part.bad_months)
        out.month_names |= part.month_names
        out.dashed |= part.dashed
        out.shapes.extend(shape for shape in part.shapes if shape not in out.shapes)
    return out


def _finer(one: int, other: int) -> int:
    return min(one, other) if one and other else one or other


def _groups(data: NDArray[np.uint8], starts: NDArray[np.int64], sizes: NDArray[np.int64]) -> Iterator[
    tuple[NDArray[np.int64], NDArray[np.uint8], bytes]
]:
    """Positions of stamps that share a shape, their bytes (a row a character place), and one of them."""
    if int(sizes.min()) == int(sizes.max()):
        different = sizes[:1]
    else:
        different = np.flatnonzero(np.bincount(np.minimum(sizes, _LONGEST + 1)))
    for size in different:
        width = int(size)
        if width == 0 or width > _LONGEST:
            continue
        where = np.flatnonzero(sizes == size) if len(different) > 1 else np.arange(len(sizes))
        if len(different) == 1 and int(starts[-1] - starts[0]) == width * (len(sizes) - 1):
            matrix = data[int(starts[0]) : int(starts[0]) + width * len(sizes)].reshape(len(sizes), width)
            places = np.ascontiguousarray(matrix.T)
        else:
            places = data[starts[where][None, :] + np.arange(width)[:, None]]
        while len(where):
            first = places[:, 0].copy()
            same = np.ones(len(where), bool)
            for column in range(width):
                if _ZERO <= int(first[column]) <= _ZERO + _NINE:
                    same &= (places[column] - np.uint8(_ZERO)) <= _NINE
                else:
                    same &= places[column] == first[column]
            if same.all():
                yield where, places, first.tobytes()
                break
            yield where[same], places[:, same], first.tobytes()
            where, places = where[~same], places[:, ~same]


def read_fields(texts: Any) -> Fields:
    """Read the fields of every stamp.

    Parameters
    ----------
    texts
        pyarrow string array, shape (n,); a null is an empty text.

    Returns
    -------
    Fields
        ``form`` -1 where a stamp follows no form of the grammar or a field is out of its range.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    if isinstance(texts, pa.ChunkedArray):
        texts = texts.combine_chunks()
    if isinstance(texts, pa.ChunkedArray):
        texts = texts.chunk(0) if texts.num_chunks else pa.array([], pa.string())
    out = Fields.empty(len(texts))
    if not len(texts):
        return out
    data, starts, sizes = _buffers(texts)
    edge = data[starts[sizes > 0]] if (sizes > 0).any() else data[:0]
    last = data[(starts + sizes - 1)[sizes > 0]] if (sizes > 0).any() else data[:0]
    if (edge <= 32).any() or (last <= 32).any() or (edge >= 128).any():
        data, starts, sizes = _buffers(pc.utf8_trim_whitespace(pc.fill_null(texts, "")))
    for where, places, example in _groups(data, starts, sizes):
        _read_shape(out, where, places, example)
    return out


def _buffers(texts: Any) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    _, offsets, data = texts.buffers()
    width = np.int64 if str(texts.type) == "large_string" else np.int32
    edges = np.frombuffer(offsets, width)[texts.offset : texts.offset + len(texts) + 1].astype(np.int64)
    raw = np.frombuffer(data, np.uint8) if data is not None else np.zeros(0, np.uint8)
    return raw, edges[:-1], np.diff(edges)


def _read_shape(out: Fields, where: NDArray[np.int64], places: NDArray[np.uint8], example: bytes) -> None:
    try:
        text = example.decode("utf-8").replace("\u00a0", " ").replace("\u202f", " ")
    except UnicodeDecodeError:
        return
    if len(text) > 64:
        return
    columns = _columns_of(example)
    number = _EPOCH.fullmatch(text)
    if number is not None:
        _read_number(out, where, places, number, columns)
        return
    for pattern in _grammar():
        match = pattern.fullmatch(text)
        if match is not None and _read_match(out, where, places, match, columns):
            return


def _columns_of(example: bytes) -> list[int]:
    """Byte position of every character, and of the end."""
    columns, position = [], 0
    for character in example.decode("utf-8"):
        columns.append(position)
        position += len(character.encode())
    return [*columns, position]


def _sum_digits(places: NDArray[np.uint8], start: int, end: int) -> NDArray[np.int64]:
    """Number that the digits of some places make, for every stamp."""
    count = end - start
    if count == 1:
        return (places[start] - np.uint8(_ZERO)).astype(np.int64)
    if count == 2:  # noqa: PLR2004 - two digits fit a byte
        return ((places[start] - np.uint8(_ZERO)) * np.uint8(10) + (places[start + 1] - np.uint8(_ZERO))).astype(np.int64)
    kind: type[np.int32] | type[np.int64] = np.int32 if count <= _NINE else np.int64
    total = np.zeros(places.shape[1], kind)
    for column in range(start, end):
        total *= kind(10)
        total += places[column] - np.uint8(_ZERO)
    return total.astype(np.int64)


def _read_number(
    out: Fields, where: NDArray[np.int64], places: NDArray[np.uint8], match: re.Match[str], columns: list[int]
) -> None:
    whole = _sum_digits(places, columns[match.start("e")], columns[match.end("e")])
    value = whole.astype(np.float64)
    if match["ef"]:
        fraction = _sum_digits(places, columns[match.start("ef")], columns[match.end("ef")])
        value = value + fraction / 10.0 ** len(match["ef"])
    out.form[where] = EPOCH
    out.number[where] = value
    out.digits[where] = len(match["e"])
    out.tod_ns[where] = whole
    out.resolution_ns = _finer(out.resolution_ns, 10**6)


def _read_match(
    out: Fields, where: NDArray[np.int64], places: NDArray[np.uint8], match: re.Match[str], columns: list[int]
) -> bool:
    groups = match.groupdict()
    if groups.get("wd") and plain(groups["wd"]) not in read_words().weekdays:
        return False

    at: NDArray[np.int64] | slice = slice(None) if len(where) == len(out) else where

    def number(name: str) -> NDArray[np.int64]:
        return _sum_digits(places, columns[match.start(name)], columns[match.end(name)])

    month: NDArray[np.int64] | int | None = None
    if groups.get("mon"):
        known = read_words().months.get(plain(groups["mon"]))
        if known is None:
            if plain(groups["mon"]) not in read_words().weekdays:
                out.bad_months[groups["mon"]] = int(where[0])
            return False
        out.month_names.add(groups["mon"])
        month = known
    good = np.ones(len(where), bool)
    if groups.get("y"):
        year = number("y")
        if len(groups["y"]) == 2:
            year = np.where(year >= _PIVOT, year + 1900, year + 2000)
        if groups.get("p"):
            first, second = number("p"), number("q")
            day_first = _is_date(year, second, first)
            month_first = _is_date(year, first, second)
            good &= day_first | month_first
            out.form[at] = OPEN
            out.p[at], out.q[at] = first, second
            if len(groups["y"]) == 2 and groups["s"] == "-" and len(groups["p"] or "") == 2:
                out.dashed = True
            if len(groups["y"]) == 2 and len(groups["p"]) == 2:
                _year_first(out, where, first, second, number("y"), good)
        else:
            first = number("m") if groups.get("m") else np.full(len(where), month, np.int64)
            second = number("d")
            good &= _is_date(year, first, second)
            out.form[at] = FIXED
            out.p[at], out.q[at] = first, second
        year_kept = out.year[at]
        out.year[at] = np.where(out.form[at] == OPEN, year, np.where(year_kept > 0, year_kept, year))
        resolution = _DAY_NS
    else:
        out.form[at] = TIME_ONLY
        resolution = _DAY_NS
    if groups.get("H"):
        resolution = _read_time(out, at, groups, number, good)
    out.resolution_ns = _finer(out.resolution_ns, resolution)
    zone = groups.get("z")
    if zone:
        offset = _numeric_offset(zone)
        if offset is None:
            out.zones.setdefault(zone.strip("()"), []).append(where)
        elif abs(offset) > 18 * 3600:
            good[:] = False
        else:
            minutes = re.search(r"[+-](\d{2}):?(\d{2})$|[+-](\d{1,2})$", zone)
            if minutes is not None:
                # the digits of an offset are digits of the shape: read them for every stamp
                start = match.start("z")
                sign = -1 if "-" in zone else 1
                if minutes[1] is not None:
                    hours = _sum_digits(places, columns[start + minutes.start(1)], columns[start + minutes.end(1)])
                    rest = _sum_digits(places, columns[start + minutes.start(2)], columns[start + minutes.end(2)])
                else:
                    hours = _sum_digits(places, columns[start + minutes.start(3)], columns[start + minutes.end(3)])
                    rest = np.zeros(len(where), np.int64)
                good &= (hours <= 18) & (rest < 60)
                out.offset_s[at] = sign * (hours * 3600 + rest * 60)
            else:
                out.offset_s[at] = offset
    if not good.all():
        out.form[where[~good]] = -1
    if len(out.shapes) < 16:
        out.shapes.append(match.string)
    return True


def _year_first(
    out: Fields,
    where: NDArray[np.int64],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    last: NDArray[np.int64],
    good: NDArray[np.bool_],
) -> None:
    """``24-06-15``: only where neither order of day and month fits can the year stand first."""
    rest = ~good
    if not rest.any():
        return
    year = np.where(first >= _PIVOT, first + 1900, first + 2000)
    fits = rest & _is_date(year, second, last)
    chosen = where[fits]
    out.form[chosen] = FIXED
    out.year[chosen] = year[fits]
    out.p[chosen], out.q[chosen] = second[fits], last[fits]
    good |= fits


def _read_time(
    out: Fields, at: NDArray[np.int64] | slice, groups: dict[str, str | None], number: Any, good: NDArray[np.bool_]
) -> int:
    hour, minute = number("H"), number("M")
    second = number("S") if groups.get("S") else np.zeros(len(hour), np.int64)
    half = (groups.get("ap") or groups.get("ap1") or "").lower()
    if half:
        good &= (hour >= 1) & (hour <= 12)
        hour = hour % 12 + (12 if half == "p" else 0)
    total = ((hour * 60 + minute) * 60 + second) * 10**9
    if groups.get("f"):
        total += number("f") * 10 ** (9 - len(groups["f"] or ""))
    good &= (minute < 60) & (second <= 60) & (total <= _DAY_NS)
    out.tod_ns[at] = total
    if groups.get("f"):
        return int(10 ** (9 - len(groups["f"] or "")))
    return 10**9 if groups.get("S") else 60 * 10**9


def _numeric_offset(zone: str) -> int | None:
    """Seconds of ``Z``, ``UTC``, ``GMT``, ``+02:00``, ``UTC-5``; None for other letters."""
    clean = zone.strip("() ").upper()
    if clean in ("Z", "UTC", "GMT"):
        return 0
    match = re.fullmatch(r"(?:UTC|GMT)?\s?([+-])(\d{1,2})(?::?(\d{2}))?", clean)
    if match is None:
        return None
    return int(match[1] + "1") * (int(match[2]) * 3600 + int(match[3] or 0) * 60)


def _run_starts(*parts: NDArray[Any]) -> NDArray[np.int64] | None:
    """Where any of the arrays changes; None where they change too often to gain by it."""
    count = len(parts[0])
    if count < 64:  # noqa: PLR2004 - nothing to gain
        return None
    change = np.zeros(count, bool)
    change[0] = True
    for part in parts:
        change[1:] |= part[1:] != part[:-1]
    starts = np.flatnonzero(change)
    return starts if len(starts) * 8 < count else None


def _is_date(year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]) -> NDArray[np.bool_]:
    starts = _run_starts(year, month, day)
    if starts is not None:
        fits = _is_date_each(year[starts], month[starts], day[starts])
        return np.repeat(fits, np.diff(np.append(starts, len(year))))
    return _is_date_each(year, month, day)


def _is_date_each(year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]) -> NDArray[np.bool_]:
    lengths = np.array([0, 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    fits: NDArray[np.bool_] = (month >= 1) & (month <= 12) & (day >= 1)
    fits &= day <= lengths[np.where(fits, month, 0)]
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    fits &= leap | (month != 2) | (day != 29)
    fits &= (year >= 1678) & (year <= 2261)
    return fits


def days_of(year: NDArray[Any], month: NDArray[Any], day: NDArray[Any]) -> NDArray[np.int64]:
    """Days after 1970-01-01 of dates in the Gregorian calendar."""
    starts = _run_starts(year, month, day)
    if starts is not None:
        each = days_of(year[starts], month[starts], day[starts])
        return np.repeat(each, np.diff(np.append(starts, len(year))))
    months = (year.astype(np.int64) - 1970) * 12 + month.astype(np.int64) - 1
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return np.asarray(first + day.astype(np.int64) - 1, dtype=np.int64)


def one_text_fits(text: str) -> int:
    """Form of one stamp (for looking at samples): FIXED, OPEN, TIME_ONLY, EPOCH, or -1."""
    import pyarrow as pa

    return int(read_fields(pa.array([text], pa.string())).form[0])


@dataclass(slots=True)
class Evidence:
    """Where the first stamp stands that settles an order."""

    row: int
    text: str


@dataclass(slots=True)
class OrderCount:
    """How many OPEN stamps fit which order of day and month, with the first that settles each."""

    total: int = 0
    both: int = 0
    day_first: Evidence | None = None
    month_first: Evidence | None = None
    dashed: int = 0
    year_first: int = 0

    def look(self, fields: Fields, rows: NDArray[np.int64], text_at: Any) -> None:
        """Take in one block; ``text_at(position)`` gives the text of a stamp."""
        is_open = fields.form == OPEN
        if not is_open.any():
            return
        p, q = fields.p, fields.q
        year = fields.year.astype(np.int64)
        as_day = _is_date(year, q.astype(np.int64), p.astype(np.int64))
        as_month = _is_date(year, p.astype(np.int64), q.astype(np.int64))
        if fields.dashed:
            two = fields.p.astype(np.int64)
            as_year = _is_date(np.where(two >= _PIVOT, two + 1900, two + 2000), q.astype(np.int64), year % 100)
            self.dashed += int(is_open.sum())
            self.year_first += int((is_open & as_year).sum())
        self.total += int(is_open.sum())
        self.both += int((is_open & as_day & as_month).sum())
        for name, mask in (("day_first", as_day & ~as_month), ("month_first", as_month & ~as_day)):
            found = np.flatnonzero(is_open & mask)
            if getattr(self, name) is None and len(found):
                setattr(self, name, Evidence(int(rows[found[0]]), text_at(int(found[0]))))


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
    month, day = fields.p.astype(np.int64), fields.q.astype(np.int64)
    if is_open.any():
        if order == "DMY":
            month, day = np.where(is_open, day, month), np.where(is_open, month, day)
        elif order == "YMD":
            first = month.copy()
            swapped = np.where(first >= _PIVOT, first + 1900, first + 2000)
            two = year % 100
            month, day = np.where(is_open, day, month), np.where(is_open, two, day)
            year = np.where(is_open, swapped, year)
        good = good & _is_date(year, month, day)
    year, month, day = (np.where(good, part, 1) if not good.all() else part for part in (year, month, day))
    if not good.all():
        year = np.where(good, year, 1970)
    return days_of(year, month, day) * _DAY_NS + fields.tod_ns, good
