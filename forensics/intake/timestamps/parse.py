"""What the stamps of a column say: text to fields, without choosing an order of day and month or a zone.

Stamps of equal shape (digits in the same places, everything else the same character for character) are read together:
one of them is matched against the grammar, the digits of all are summed in arrays. A column of one shape costs a few
passes over its bytes; a column of many shapes costs a few passes each.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.lexicon import plain, read_words
from forensics.intake.timestamps.calendar import is_date
from forensics.intake.timestamps.fields import (
    DAY_NS,
    EPOCH,
    FIXED,
    LEAP_YEAR,
    NO_YEAR,
    OPEN,
    PIVOT,
    TIME_ONLY,
    Fields,
    finer,
)
from forensics.intake.timestamps.grammar import EPOCH_NUMBER, grammar

_ZERO, _NINE = 48, 9
_TWO, _NOON, _SIXTY, _MOST_SHAPES = 2, 12, 60, 16
_MOST_EAST_MIN, _QUARTER, _HALF_HOUR, _WEST_HALVES = 14 * 60, 15, 30, (2, 3, 4, 9)
_BLANK, _EQUALS, _NOT_ASCII = 32, 61, 128
_LONGEST_TEXT = 64
_PLAIN_SIGNS = str.maketrans({"\u00a0": " ", "\u202f": " ", "\u2009": " ", "\u2212": "-"})
_LONGEST = 80  # bytes: no stamp is longer


def _groups(
    data: NDArray[np.uint8], starts: NDArray[np.int64], sizes: NDArray[np.int64]
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.uint8], bytes]]:
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
    if (edge == _EQUALS).any():  # what keeps a sheet from reading a cell
        return read_fields(pc.replace_substring_regex(pc.fill_null(texts, ""), r'(?s)^=(?:"([^"]*)"|.*)\s*$', r"\1"))
    if (edge <= _BLANK).any() or (last <= _BLANK).any() or (edge >= _NOT_ASCII).any():
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
        text = example.decode("utf-8").translate(_PLAIN_SIGNS)
    except UnicodeDecodeError:
        return
    if len(text) > _LONGEST_TEXT or any(sign.isdigit() and not sign.isascii() for sign in text):
        return
    columns = _columns_of(example)
    number = EPOCH_NUMBER.fullmatch(text)
    if number is not None:
        _read_number(out, where, places, number, columns)
        return
    for pattern in grammar():
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
        one: NDArray[np.int64] = (places[start] - np.uint8(_ZERO)).astype(np.int64)
        return one
    if count == _TWO:  # two digits fit a byte
        tens, units = places[start] - np.uint8(_ZERO), places[start + 1] - np.uint8(_ZERO)
        two: NDArray[np.int64] = (tens * np.uint8(10) + units).astype(np.int64)
        return two
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
    out.resolution_ns = finer(out.resolution_ns, 10**6)


@dataclass(slots=True)
class _Shape:
    """Stamps of one shape while they are read: where they go, their bytes, the match of one of them."""

    out: Fields
    where: NDArray[np.int64]
    places: NDArray[np.uint8]
    match: re.Match[str]
    columns: list[int]
    good: NDArray[np.bool_]

    @property
    def at(self) -> NDArray[np.int64] | slice:
        return slice(None) if len(self.where) == len(self.out) else self.where

    def has(self, name: str) -> str:
        """Text of a group in the stamp that was matched; empty where it has none."""
        return (self.match.groupdict().get(name)) or ""

    def number(self, name: str) -> NDArray[np.int64]:
        return self.digits(self.match.start(name), self.match.end(name))

    def digits(self, start: int, end: int) -> NDArray[np.int64]:
        return _sum_digits(self.places, self.columns[start], self.columns[end])


def _read_match(
    out: Fields, where: NDArray[np.int64], places: NDArray[np.uint8], match: re.Match[str], columns: list[int]
) -> bool:
    shape = _Shape(out, where, places, match, columns, np.ones(len(where), bool))
    if shape.has("wd") and plain(shape.has("wd")) not in read_words().weekdays:
        return False
    month = None
    if shape.has("mon"):
        month = read_words().months.get(plain(shape.has("mon")))
        if month is None:
            if plain(shape.has("mon")) not in read_words().weekdays:
                out.bad_months[shape.has("mon")] = int(where[0])
            return False
        out.month_names.add(shape.has("mon"))
    if shape.has("y") or shape.has("d") or shape.has("p"):
        _read_date(shape, month)
    else:
        out.form[shape.at] = TIME_ONLY
    resolution = _read_time(shape) if shape.has("H") else DAY_NS
    out.resolution_ns = finer(out.resolution_ns, resolution)
    if shape.has("z"):
        _read_zone(shape)
    if not shape.good.all():
        out.form[where[~shape.good]] = -1
    if len(out.shapes) < _MOST_SHAPES:
        out.shapes.append(match.string)
    return True


def _read_date(shape: _Shape, month: int | None) -> None:
    out, at, good = shape.out, shape.at, shape.good
    written = shape.has("y")
    year = shape.number("y") if written else np.full(len(shape.where), LEAP_YEAR, np.int64)
    two_digits = len(written) == _TWO
    if two_digits:
        year = np.where(year >= PIVOT, year + 1900, year + 2000)
    out.year[at] = year if written else NO_YEAR
    if not shape.has("p"):
        first = shape.number("m") if shape.has("m") else np.full(len(shape.where), month, np.int64)
        second = shape.number("d")
        good &= is_date(year, first, second)
        out.form[at], out.p[at], out.q[at] = FIXED, first, second
        return
    first, second = shape.number("p"), shape.number("q")
    good &= is_date(year, second, first) | is_date(year, first, second)
    out.form[at], out.p[at], out.q[at] = OPEN, first, second
    if two_digits and len(shape.has("p")) == _TWO:
        out.dashed |= shape.has("s") == "-"
        out.short = True
        _year_first(out, shape.where, first, second, shape.number("y"), good)


def _read_zone(shape: _Shape) -> None:
    """Offset that a stamp carries; the digits of an offset are read for every stamp of the shape."""
    zone = shape.has("z")
    offset = numeric_offset(zone)
    if offset is None:
        shape.out.zones.setdefault(zone.strip("()"), []).append(shape.where)
        return
    digits = re.search(r"[+-](?:(\d{2}):?(\d{2})|(\d{1,2}))$", zone)
    if digits is None:
        shape.out.offset_s[shape.at] = offset
        return
    start = shape.match.start("z")
    group = 1 if digits[1] is not None else 3
    hours = shape.digits(start + digits.start(group), start + digits.end(group))
    minutes = np.zeros(len(shape.where), np.int64)
    if digits[2] is not None:
        minutes = shape.digits(start + digits.start(2), start + digits.end(2))
    shape.good &= _is_offset(-1 if "-" in zone else 1, hours, minutes)
    shape.out.offset_s[shape.at] = (-1 if "-" in zone else 1) * (hours * 3600 + minutes * 60)


def _is_offset(sign: int, hours: NDArray[np.int64], minutes: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether clocks are kept at such an offset: what stands behind a time may be the end of an interval.

    Source: tz database, offsets since 1970: whole and half hours and quarters, from -12:00 to +14:00; west of Greenwich
    half hours at -02:30, -03:30, -04:30 and -09:30 only.
    """
    if sign > 0:
        east: NDArray[np.bool_] = (hours * _SIXTY + minutes <= _MOST_EAST_MIN) & (minutes % _QUARTER == 0)
        return east
    half = (minutes == _HALF_HOUR) & np.isin(hours, _WEST_HALVES)
    west: NDArray[np.bool_] = ((minutes == 0) & (hours <= _NOON)) | half
    return west


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
    year = np.where(first >= PIVOT, first + 1900, first + 2000)
    fits = rest & is_date(year, second, last)
    chosen = where[fits]
    out.form[chosen] = FIXED
    out.year[chosen] = year[fits]
    out.p[chosen], out.q[chosen] = second[fits], last[fits]
    good |= fits


def _read_time(shape: _Shape) -> int:
    """Time of day; returns its resolution in ns."""
    hour, minute = shape.number("H"), shape.number("M")
    second = shape.number("S") if shape.has("S") else np.zeros(len(hour), np.int64)
    half = (shape.has("ap") or shape.has("ap1")).lower()
    if half:
        shape.good &= (hour >= 1) & (hour <= _NOON)
        hour = hour % _NOON + (_NOON if half == "p" else 0)
    total = ((hour * 60 + minute) * 60 + second) * 10**9
    fraction = shape.has("f")
    if fraction:
        total += shape.number("f") * 10 ** (9 - len(fraction))
    # 24:00 is the end of a day (ISO 8601-1:2019, 5.3.1.4), second 60 a leap second
    shape.good &= (minute < _SIXTY) & (second <= _SIXTY) & (total <= DAY_NS)
    shape.out.tod_ns[shape.at] = total
    if fraction:
        return int(10 ** (9 - len(fraction)))
    return 10**9 if shape.has("S") else 60 * 10**9


def numeric_offset(zone: str) -> int | None:
    """Seconds of ``Z``, ``UTC``, ``GMT``, ``+02:00``, ``UTC-5``; None for other letters."""
    clean = zone.strip("() ").upper()
    if clean in ("Z", "UTC", "GMT"):
        return 0
    match = re.fullmatch(r"(?:UTC|GMT)?\s?([+-])(\d{1,2})(?::?(\d{2}))?", clean)
    if match is None:
        return None
    return int(match[1] + "1") * (int(match[2]) * 3600 + int(match[3] or 0) * 60)
