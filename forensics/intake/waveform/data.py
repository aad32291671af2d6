"""Samples of an IEEE C37.111 record: whether the data fit the configuration, values, and the time of each sample.

Values come from the ``comtrade`` package once the framing has been proven: that package cuts bytes to fit, drops
samples past the announced end and takes the wrong mark for a missing 32-bit float.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from forensics.errors import Refused
from forensics.intake.waveform.header import Header

_MISSING_STAMP = 0xFFFFFFFF
_MISSING_TEXT = "99999"
_MISSING_FLOAT32 = np.float32(-3.4028234663852886e38)  # 0xFF7FFFFF, the mark of C37.111-2013
_WIDTH = {"BINARY": 2, "BINARY32": 4, "FLOAT32": 4}
_STATUS_BITS = 16
_WRAP = 2.0**32
_MAX_WORDS = 64


@dataclass(slots=True)
class Table:
    """Samples in file order.

    Attributes
    ----------
    number, stamp
        Sample number (int64) and stamp in ticks (float64, NaN where missing), shape (n,).
    analog, status
        Values by channel as the configuration scales them (float64) and states (int8), shape (n,) each.
    line
        Physical line of an ASCII file or position of the sample, from 1, shape (n,).
    listed
        Rows set aside: (line, reason, text).
    """

    number: NDArray[np.int64]
    stamp: NDArray[np.float64]
    analog: list[NDArray[np.float64]]
    status: list[NDArray[np.int8]]
    line: NDArray[np.int64]
    rows_read: int
    set_aside: dict[str, int] = field(default_factory=dict)
    listed: tuple[tuple[int, str, str], ...] = ()
    notes: list[str] = field(default_factory=list)


def read_table(header: Header, data: bytes, name: str) -> Table:
    """Read the samples that belong to a configuration.

    Raises
    ------
    Refused
        The data do not fit the configuration, or hold no sample.
    """
    if not data.strip(b"\x1a\r\n\t \x00"):
        raise Refused("the data file holds no samples", remedy="Export the record again.")
    table = _ascii(header, data, name) if header.data_type == "ASCII" else _binary(header, data, name)
    note = _count_note(header, table, name)
    if note:
        table.notes.append(note)
    return table


def _count_note(header: Header, table: Table, name: str) -> str:
    """What to say where the configuration announces another number of samples."""
    found, announced = len(table.number), header.announced
    if found == announced:
        return ""
    text = f"{name}.cfg announces {announced} samples, the .dat has {found}"
    if found < announced:
        if found and int(table.number[-1] - table.number[0]) + 1 >= announced:
            verb = "is" if announced - found == 1 else "are"
            return f"{text}: by their numbers {announced - found} {verb} missing among them"
        return f"{text}: the record ends early"
    past = found - announced
    verb, which = ("is", f"sample {found}") if past == 1 else ("are", f"samples {announced + 1}-{found}")
    if header.analog:
        values = " and ".join(f"{value:.1f}" for value in table.analog[0][announced:][:2])
        which += f" ({values}{' …' if past > 2 else ''} {header.analog[0].uu} on the first channel)"  # noqa: PLR2004
    return f"{text}; {which} {verb} past the announced end and kept"


def _values(header: Header, data: str | bytes, count: int) -> tuple[list[NDArray[np.float64]], list[NDArray[np.int8]]]:
    import comtrade

    record = comtrade.Comtrade(use_numpy_arrays=True, use_double_precision=True, ignore_warnings=True)
    with np.errstate(all="ignore"):
        record.read(header.text.replace("{samples}", str(count)), data)
    analog = [np.where(np.isfinite(values), values, np.nan) for values in record.analog]
    return analog, [np.asarray(values, dtype=np.int8) for values in record.status]


def _ascii(header: Header, data: bytes, name: str) -> Table:
    expected = 2 + len(header.analog) + len(header.status)
    # Only line ends count: splitlines would also cut at separators that are data here.
    lines = data.decode("iso-8859-1").replace("\x1a", "").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    while lines and not lines[-1].strip(" \t\x00"):
        lines.pop()
    split = [[cell.strip() for cell in line.split(",")] for line in lines]
    split = [cells[:-1] if len(cells) == expected + 1 and not cells[-1] else cells for cells in split]
    widths = Counter(len(cells) for cells in split)
    usual = widths.most_common(1)[0][0]
    if usual != expected:
        raise Refused(
            f"{name}: the lines of the .dat have {usual} fields, the .cfg announces {expected} (number, stamp, "
            f"{len(header.analog)} analog, {len(header.status)} status). The .cfg and .dat do not belong together "
            "or the channel count is wrong."
        )
    missing = "" if header.revision == "1991" else _MISSING_TEXT
    rows: list[list[str]] = []
    kept: list[int] = []
    aside: list[tuple[int, str, str]] = []
    for position, cells in enumerate(split):
        reason = _clean(cells, expected, len(header.analog), missing)
        if reason:
            aside.append((position + 1, reason, lines[position][:200]))
        else:
            rows.append(cells)
            kept.append(position + 1)
    if not rows:
        raise Refused(f"no line of the .dat can be read ({aside[0][1]} in line {aside[0][0]})")
    notes = _count_up(rows, kept, aside, lines)
    analog, status = _values(header, "\n".join(",".join(cells) for cells in rows), len(rows))
    stamp = np.array([float(cells[1]) if cells[1] else np.nan for cells in rows])
    stamp[stamp >= _MISSING_STAMP] = np.nan
    number = np.array([int(float(cells[0])) for cells in rows], dtype=np.int64)
    counts = dict(Counter(reason for _, reason, _ in aside))
    return Table(
        number=number,
        stamp=stamp,
        analog=analog,
        status=status,
        line=np.array(kept, dtype=np.int64),
        rows_read=len(split),
        set_aside=counts,
        listed=tuple(aside),
        notes=notes,
    )


def _count_up(rows: list[list[str]], kept: list[int], aside: list[tuple[int, str, str]], lines: list[str]) -> list[str]:
    """Set aside lines whose sample number does not rise; number the samples where the file does not."""
    numbers = [int(cells[0]) for cells in rows]
    if len(rows) > 1 and len(set(numbers)) == 1:
        for position, cells in enumerate(rows):
            cells[0] = str(position + 1)
        return ["the samples carry no numbers: counted from 1"]
    highest = -1
    chosen: list[int] = []
    for position, number in enumerate(numbers):
        if number > highest:
            highest = number
            chosen.append(position)
        else:
            aside.append((kept[position], "sample number does not rise", lines[kept[position] - 1][:200]))
    if len(chosen) < len(rows):
        aside.sort()
        rows[:] = [rows[position] for position in chosen]
        kept[:] = [kept[position] for position in chosen]
    return []


def _clean(cells: list[str], expected: int, analog: int, missing: str) -> str:
    """Bring a line into the form that is read; the reason to set it aside, or empty."""
    if not any(cells):
        return "blank line"
    if len(cells) != expected:
        return "wrong number of fields"
    try:
        number = float(cells[0])
        stamp = float(cells[1] or "0")
        states = [int(float(cell)) for cell in cells[2 + analog :]]
        for place in range(2, 2 + analog):
            value = float(cells[place]) if cells[place] else float(_MISSING_TEXT)
            if value == float(_MISSING_TEXT):
                cells[place] = missing
            elif not math.isfinite(value):
                return "not a number"
    except (ValueError, OverflowError):
        return "not a number"
    if not (0 <= number < _WRAP and 0 <= stamp <= _WRAP**2):
        return "sample number or stamp out of range"
    if any(state not in (0, 1) for state in states):
        return "status neither 0 nor 1"
    cells[0] = str(int(number))
    cells[2 + analog :] = [str(state) for state in states]
    return ""


def _record_size(header: Header) -> int:
    return 8 + len(header.analog) * _WIDTH[header.data_type] + 2 * math.ceil(len(header.status) / _STATUS_BITS)


def _numbers(data: bytes, size: int) -> NDArray[np.int64]:
    rows = len(data) // size
    view = np.frombuffer(data[: rows * size], dtype=np.uint8).reshape(rows, size)
    return np.ascontiguousarray(view[:, :4]).view("<u4").ravel().astype(np.int64)


def _in_order(number: NDArray[np.int64]) -> bool:
    """Whether sample numbers count up, gaps of a few lost samples allowed; a single one must be the first."""
    if len(number) <= 1:
        return bool(len(number)) and int(number[0]) <= 1
    return bool((np.diff(number) >= 1).all()) and int(number[-1] - number[0]) <= 2 * len(number)


def _binary(header: Header, data: bytes, name: str) -> Table:
    size = _record_size(header)
    notes: list[str] = []
    filler = _filler(data, size)
    if filler:
        data = data[: len(data) - filler]
        notes.append(
            f"{filler} bytes after the last of {len(data) // size} records of {size} bytes are filler: set aside"
        )
    rows, rest = divmod(len(data), size)
    number = _numbers(data, size)
    blank = rows > 0 and rest == 0 and not number.any()
    if not _in_order(number) and not blank:
        raise Refused(_misfit(header, data, size, name))
    if blank:
        notes.append("the samples carry no numbers: counted from 1")
        number = np.arange(1, rows + 1, dtype=np.int64)
    if number[0] > 1:
        notes.append(
            f"the samples are numbered from {int(number[0])}: the first one is taken as the start of the record"
        )
    tail = data[rows * size :]
    aside: dict[str, int] = {}
    listed: tuple[tuple[int, str, str], ...] = ()
    if rest and not tail.strip(b"\x1a\x00"):
        shown = " ".join(f"0x{byte:02X}" for byte in tail[:4])
        notes.append(f"{rest} bytes after the last of {rows} records of {size} bytes ({shown}) are set aside")
    elif rest:
        aside = {"incomplete record": 1}
        listed = ((rows + 1, "incomplete record", tail[:32].hex(" ")),)
        notes.append(f"{len(data)} bytes are {rows} records of {size} bytes and {rest} bytes of an incomplete one")
    view = np.frombuffer(data[: rows * size], dtype=np.uint8).reshape(rows, size)
    stamp = np.ascontiguousarray(view[:, 4:8]).view("<u4").ravel().astype(np.float64)
    stamp[stamp == _MISSING_STAMP] = np.nan
    analog, status = _values(header, data[: rows * size], rows)
    if header.data_type == "FLOAT32":
        cells = np.ascontiguousarray(view[:, 8 : 8 + 4 * len(header.analog)])
        raw = cells.view("<f4").reshape(rows, len(header.analog))
        for place in range(len(analog)):
            # The library's own mark is the smallest normal float, which is a legitimate reading near zero.
            channel = header.analog[place]
            exact = channel.a * raw[:, place].astype(np.float64) + channel.b
            analog[place] = np.where((raw[:, place] <= _MISSING_FLOAT32) | ~np.isfinite(exact), np.nan, exact)
    line = np.arange(1, rows + 1, dtype=np.int64)
    return Table(
        number=number,
        stamp=stamp,
        analog=analog,
        status=status,
        line=line,
        rows_read=rows + (1 if aside else 0),
        set_aside=aside,
        listed=listed,
        notes=notes,
    )


def _filler(data: bytes, size: int) -> int:
    """Number of bytes laid out ahead of the record: whole records of NUL or end-of-file bytes behind good ones."""
    used = len(data.rstrip(b"\x1a\x00"))
    end = -(-used // size) * size
    if len(data) - end < size or not _in_order(_numbers(data[:end], size)):
        return 0
    return len(data) - end


def _misfit(header: Header, data: bytes, size: int, name: str) -> str:
    """Why the data are refused, with the record length that would fit."""
    analog, words = len(header.analog), math.ceil(len(header.status) / _STATUS_BITS)
    text = (
        f"{name}: {len(data)} bytes do not fit records of {size} bytes "
        f"({analog} analog, {len(header.status)} status): the sample numbers do not count up"
    )
    base = size - 2 * words
    for other in (*range(words), *range(words + 1, _MAX_WORDS)):
        length = base + 2 * other
        if length > len(data) or not _in_order(_numbers(data, length)):
            continue
        low, high = (other - 1) * _STATUS_BITS + 1, other * _STATUS_BITS
        span = f"{low}-{high} status" if other else "no status"
        text += f"; they fit records of {length} bytes ({analog} analog, {span})"
        break
    return f"{text}. The .cfg and .dat do not belong together or the channel count is wrong."


@dataclass(frozen=True, slots=True)
class Times:
    """Seconds from the first sample, what they rest on, and how fine they are."""

    time_s: NDArray[np.float64]
    basis: str
    evidence: str


def sample_times(header: Header, table: Table, wanted: str | None) -> Times:
    """Time of every sample from the first, from stamps or rates.

    Where both are there and agree within the resolution of the stamps the rates are used, which are not rounded;
    where they agree within half a sample the stamps; where they do not, ``wanted`` decides or it is asked for.

    Raises
    ------
    Refused
        Stamps and rates disagree and the case does not say which holds, or neither gives a time.
    """
    by_rate = _by_rate(header, table)
    by_stamp = _by_stamp(header, table)
    if wanted == "rates" or (by_stamp is None and wanted is None):
        if by_rate is None:
            raise Refused(_no_time("rates" if wanted else "stamps or rates"), stop=wanted is not None)
        return Times(by_rate, "rates", "given in the case file" if wanted else "the samples carry no usable stamps")
    if by_stamp is None:
        raise Refused(_no_time("stamps"), stop=True, remedy='Set waveform_time = "rates".')
    if wanted == "stamps" or by_rate is None:
        return Times(by_stamp, "stamps", "given in the case file" if wanted else "the record states no sample rate")
    apart = np.abs(by_stamp - by_rate)
    step = np.diff(by_rate, prepend=by_rate[0] - 1.0 / header.rates[0][0])
    worst = int(np.argmax(apart - 0.5 * step))
    if apart[worst] > 0.5 * step[worst] + header.tick_s:
        raise Refused(
            f"stamps and rates disagree: sample {int(table.number[worst])} is at "
            f"{by_stamp[worst] * 1e3:.3f} ms by its stamp and at {by_rate[worst] * 1e3:.3f} ms by the rates; "
            f"the last of {len(apart)} samples is at "
            f"{by_stamp[-1] * 1e3:.3f} ms by its stamp and at {by_rate[-1] * 1e3:.3f} ms by the rates",
            stop=True,
            remedy='Add waveform_time = "stamps" or waveform_time = "rates" to this source.',
        )
    largest = f"stamps and rates agree within {float(apart.max()) * 1e6:.3g} us"
    if apart.max() <= header.tick_s:
        return Times(by_rate, "rates", f"{largest}, the resolution of the stamps")
    return Times(by_stamp, "stamps", largest)


def _no_time(what: str) -> str:
    return f"the record has no usable {what}: its samples can't be placed in time"


def _by_rate(header: Header, table: Table) -> NDArray[np.float64] | None:
    if not header.rates:
        return None
    n = table.number - table.number[0] + 1
    time_s = np.zeros(len(n))
    first, first_s = 1, 0.0
    for place, (rate, last) in enumerate(header.rates):
        end = last if place + 1 < len(header.rates) else np.iinfo(np.int64).max
        here = (n > first) & (n <= end)
        time_s[here] = first_s + (n[here] - first) / rate
        first_s += (last - first) / rate
        first = last
    return time_s if bool((np.diff(time_s) > 0).all()) else None


def _by_stamp(header: Header, table: Table) -> NDArray[np.float64] | None:
    stamp = table.stamp
    if len(stamp) < 2 or np.isnan(stamp).any() or not stamp.any() or header.tick_s <= 0:  # noqa: PLR2004 - a step needs two
        return None
    step = np.diff(stamp)
    step = np.where(step < -_WRAP / 2, step + _WRAP, step)
    if not bool((step > 0).all()):
        return None
    return np.concatenate(([0.0], np.cumsum(step))) * header.tick_s
