"""Which revision, clock and layout an IEEE C37.111 configuration (.cfg) announces.

The channel lines are read by the ``comtrade`` package. What stands around them is checked here first, because that
package takes two-digit years for years of the first century, stops at a blank number or a stamp without fraction, and
pads a short channel line with zeros.

Sources: IEEE Std C37.111-1991, -1999 and C37.111-2013 / IEC 60255-24:2013 (layout of the lines, date order by
revision, missing-value marks, time codes; from memory, checked against the sample records of an open library).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from forensics.errors import Refused
from forensics.intake.waveform.stamps import Order, order_dates, read_stamp

if TYPE_CHECKING:
    import comtrade

_TIME_CODE = re.compile(r"^([+-]?)(\d{1,2})(?:h(\d{1,2}))?$", re.IGNORECASE)
_COUNTS = re.compile(r"^(\d+)\s*,\s*(\d+)\s*A\s*,\s*(\d+)\s*D\s*,?$", re.IGNORECASE)
_SECTION = re.compile(rb"(?im)^--- *file type: *([a-z]+)(?: +([a-z0-9]+))? *(?:: *(\d+))? *---[ \t]*\r?\n?")
_SHORT_ANALOG, _LONG_ANALOG, _LONG_STATUS = 10, 13, 5
_MICROSECOND_DIGITS = 6
_NUMBER_FIELDS = {5: "", 6: "0", 7: "0", 8: "-32767", 9: "32767", 10: "0", 11: "0"}
_YEAR_1991, _YEAR_2013 = 1991, 2013


# Accuracy that a recorder states for its own clock, by code (C37.111-2013, the codes of IEEE Std C37.118; from memory).
_CLOCK_QUALITY = {
    "0": "locked to its reference",
    "1": "within 1 ns",
    "2": "within 10 ns",
    "3": "within 100 ns",
    "4": "within 1 us",
    "5": "within 10 us",
    "6": "within 100 us",
    "7": "within 1 ms",
    "8": "within 10 ms",
    "9": "within 100 ms",
    "A": "within 1 s",
    "B": "within 10 s",
    "F": "not reliable: a fault of the clock",
}


@dataclass(frozen=True, slots=True)
class Header:
    """What the configuration says.

    Attributes
    ----------
    text
        Cleaned configuration that ``comtrade`` reads without guessing; the counts of samples are put in later.
    analog
        Channel descriptions as ``comtrade`` gives them.
    status
        Names of the status channels.
    rates
        (samples per second, last sample) of every stretch; empty where the file gives no rate.
    start_ns, trigger_ns
        Wall clock of first sample and trigger in ns since 1970 as written, no zone applied; the trigger may be None.
    tick_s
        Seconds in one unit of a sample's stamp.
    offset_s
        Offset from UTC that the file states, s; None where it states none.
    """

    revision: str
    text: str
    analog: tuple[comtrade.AnalogChannel, ...]
    status: tuple[str, ...]
    line_hertz: float
    rates: tuple[tuple[float, int], ...]
    announced: int
    start_ns: int
    trigger_ns: int | None
    data_type: str
    tick_s: float
    offset_s: int | None
    notes: tuple[str, ...] = ()
    detections: tuple[tuple[str, str, str], ...] = ()


@dataclass(slots=True)
class _Lines:
    """Lines of the configuration, taken one after the other; says which one is missing."""

    lines: list[str]
    at: int = 0
    notes: list[str] = field(default_factory=list)
    detections: list[tuple[str, str, str]] = field(default_factory=list)

    def next(self, what: str) -> str:
        if self.at >= len(self.lines):
            raise Refused(f"the configuration ends before {what}", row=self.at + 1, remedy="Export the record again.")
        self.at += 1
        return self.lines[self.at - 1].strip()

    def more(self) -> str:
        if self.at >= len(self.lines):
            return ""
        self.at += 1
        return self.lines[self.at - 1].strip()


def split_single_file(data: bytes) -> tuple[bytes, bytes]:
    """Cut a single-file record (.cff) into configuration and data.

    Raises
    ------
    Refused
        A section is missing.
    """
    marks = list(_SECTION.finditer(data))
    cfg = dat = None
    for mark, following in zip(marks, [*marks[1:], None], strict=True):
        kind = mark[1].upper()
        body = data[mark.end() : following.start() if following else len(data)]
        if kind == b"CFG" and cfg is None:
            cfg = body
        elif kind == b"DAT" and dat is None:
            length = int(mark[3]) if mark[3] and len(mark[3]) < len(str(len(data))) + 1 else None
            # Bytes of the data may look like a section line: everything after the mark belongs to the last section.
            dat = data[mark.end() :] if length is None else data[mark.end() : mark.end() + length]
            break
    if cfg is None or dat is None:
        missing = "configuration" if cfg is None else "data"
        raise Refused(
            f"a single-file record needs a '--- file type: … ---' line before each section; the {missing} is missing"
        )
    return cfg, dat


def decode(data: bytes, encoding: str) -> tuple[str, str, str]:
    """Text of a configuration, its encoding and how that was decided: byte-order mark, strict UTF-8, case, ISO-8859-1.

    Raises
    ------
    Refused
        The encoding that the case gives is not known or does not fit.
    """
    if encoding:
        try:
            return data.decode(encoding), encoding, "given in the case file"
        except (LookupError, UnicodeError):
            raise Refused(
                f"the configuration is not text in encoding '{encoding}'", remedy="Correct or drop encoding."
            ) from None
    for mark, name in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            return data.decode(name, "replace"), name, "byte-order mark"
    try:
        return data.decode("utf-8"), "utf-8", "valid UTF-8"
    except UnicodeDecodeError:
        return data.decode("iso-8859-1"), "iso-8859-1", "not valid UTF-8; ISO-8859-1 assumed"


def read_header(data: bytes, *, encoding: str, date_order: Order | None) -> Header:
    """Read a configuration and check it line by line.

    Parameters
    ----------
    data
        Bytes of the .cfg file or section.
    encoding, date_order
        What the case file says, empty or None where it says nothing.

    Raises
    ------
    Refused
        A line does not have the form of the standard, or its date fits only an order that the revision does not have.
    """
    text, name, evidence = decode(data, encoding)
    lines = _Lines(text.replace("\x1a", "").replace("\x00", "").replace("\r\n", "\n").replace("\r", "\n").split("\n"))
    if not any(line.strip() for line in lines.lines):
        raise Refused("the configuration is empty", remedy="Export the record again.")
    lines.detections.append(("encoding", name, evidence))
    revision = _read_revision(lines)
    analog_count, status_count = _read_counts(lines)
    body = [_analog_line(lines, revision) for _ in range(analog_count)]
    body += [_status_line(lines) for _ in range(status_count)]
    line_hertz = _read_line_hertz(lines)
    rates, announced = _read_rates(lines)
    at = lines.at + 1
    start = read_stamp(lines.next("the time of the first sample"))
    trigger = read_stamp(lines.next("the time of the trigger"))
    began = order_dates(start, trigger, revision=revision, given=date_order, row=at)
    lines.detections.append(("date order", began.order, began.evidence))
    lines.notes.extend(began.notes)
    data_type = lines.next("the type of the data file").upper()
    if data_type not in ("ASCII", "BINARY", "BINARY32", "FLOAT32"):
        raise Refused(f"data file type '{data_type}' is not ASCII, BINARY, BINARY32 or FLOAT32", row=lines.at)
    multiplier = 1.0 if revision == "1991" else _number(lines.more() or "1", "the time multiplier", lines.at)
    offset_s = _read_time_code(lines) if revision == "2013" else None
    nanoseconds = max(start.digits, trigger.digits) > _MICROSECOND_DIGITS
    top = ["0,0" if revision == "1991" else f"0,0,{revision}"]
    top += [f"{analog_count + status_count},{analog_count}A,{status_count}D"]
    tail = ["0", "1", "1,{samples}", "01/01/2000,00:00:00.000000", "01/01/2000,00:00:00.000000", data_type, "1"]
    clean = "\n".join([*top, *(line.replace("{", "(").replace("}", ")") for line in body), *tail])
    parsed = _channels(clean)
    return Header(
        revision=revision,
        text=clean,
        analog=tuple(parsed.analog_channels),
        status=tuple(channel.name for channel in parsed.status_channels),
        line_hertz=line_hertz,
        rates=rates,
        announced=announced,
        start_ns=began.start_ns,
        trigger_ns=began.trigger_ns,
        data_type=data_type,
        tick_s=multiplier * (1e-9 if nanoseconds else 1e-6),
        offset_s=offset_s,
        notes=tuple(lines.notes),
        detections=tuple(lines.detections),
    )


def _channels(text: str) -> comtrade.Cfg:
    import comtrade

    parsed = comtrade.Cfg(ignore_warnings=True)
    parsed.read(text.replace("{samples}", "1"))
    return parsed


def _read_revision(lines: _Lines) -> str:
    fields = [part.strip() for part in lines.next("the first line").split(",")]
    year = fields[-1] if len(fields) > 2 else ""  # noqa: PLR2004 - station, recorder, revision
    if not year:
        lines.detections.append(("revision", "1991", "the first line names no revision"))
        return "1991"
    if year in ("1991", "1999", "2013"):
        lines.detections.append(("revision", year, "first line"))
        return year
    if not re.fullmatch(r"(19|20)\d\d", year):
        raise Refused(
            f"the first line ends with '{year[:40]}', which is not the year of a revision of the standard",
            row=lines.at,
            remedy="The first line is: station, recorder, year of revision (1991, 1999 or 2013).",
        )
    taken = "2013" if int(year) >= _YEAR_2013 else "1999" if int(year) > _YEAR_1991 else "1991"
    lines.notes.append(f"revision year {year} is not one of the standard: read as {taken}")
    lines.detections.append(("revision", taken, f"first line says {year}"))
    return taken


def _read_counts(lines: _Lines) -> tuple[int, int]:
    text = lines.next("the number of channels")
    match = _COUNTS.match(text)
    if match is None:
        raise Refused(
            f"'{text[:60]}' is not a count of channels",
            row=lines.at,
            remedy="It is written as total, nA, nD: '7,6A,1D'.",
        )
    total, analog, status = (int(part) if len(part) < 7 else 10**6 for part in match.groups())  # noqa: PLR2004
    if total != analog + status:
        raise Refused(f"{total} channels announced, but {analog} analog and {status} status", row=lines.at)
    if analog + status > len(lines.lines) or analog + status == 0:
        raise Refused(f"{analog + status} channels announced in a file of {len(lines.lines)} lines", row=lines.at)
    return analog, status


def _analog_line(lines: _Lines, revision: str) -> str:
    fields = [part.strip() for part in lines.next("the last analog channel").split(",")]
    if len(fields) < _SHORT_ANALOG:
        raise Refused(
            f"an analog channel line has {len(fields)} fields, at least {_SHORT_ANALOG} are needed",
            row=lines.at,
            remedy="The number of channels in line 2 and the channel lines must agree.",
        )
    fields = (fields + [""] * _LONG_ANALOG)[:_LONG_ANALOG]
    for place, default in _NUMBER_FIELDS.items():
        fields[place] = fields[place] or default
        _number(fields[place], f"field {place + 1} of analog channel '{fields[1]}'", lines.at)
    fields[0] = "0"
    fields[12] = fields[12].upper() or ("" if revision == "1991" else "?")
    return ",".join(fields)


def _status_line(lines: _Lines) -> str:
    fields = [part.strip() for part in lines.next("the last status channel").split(",")]
    if len(fields) < 2:  # noqa: PLR2004 - number and name
        raise Refused("a status channel line has no name", row=lines.at)
    return ",".join(["0", fields[1], "", "", "0"][:_LONG_STATUS])


def _read_line_hertz(lines: _Lines) -> float:
    text = lines.next("the line frequency")
    hertz = _number(text or "0", "the line frequency", lines.at)
    if hertz <= 0:
        lines.notes.append("the record states no line frequency")
        return float("nan")
    return hertz


def _read_rates(lines: _Lines) -> tuple[tuple[tuple[float, int], ...], int]:
    count = _number(lines.next("the number of sample rates") or "0", "the number of sample rates", lines.at)
    if count < 0 or count != int(count) or count > len(lines.lines):
        raise Refused(f"{count:g} is not a number of sample rates", row=lines.at)
    rates: list[tuple[float, int]] = []
    for _ in range(max(int(count), 1)):
        fields = [part.strip() for part in lines.next("the last sample rate").split(",")]
        if len(fields) < 2:  # noqa: PLR2004 - rate and last sample
            raise Refused("a sample rate line is written: rate, last sample", row=lines.at)
        rate = _number(fields[0] or "0", "the sample rate", lines.at)
        last = _number(fields[1], "the last sample of the rate", lines.at)
        if rate < 0 or last < 0 or last != int(last) or (rates and last <= rates[-1][1]):
            raise Refused(f"'{','.join(fields)[:60]}' is not a sample rate and a later last sample", row=lines.at)
        rates.append((rate, int(last)))
    announced = rates[-1][1]
    if count == 0 or any(rate == 0 for rate, _ in rates):
        return (), announced
    return tuple(rates), announced


def _number(text: str, what: str, row: int) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < float("inf"):
        raise Refused(f"{what} is '{text[:40]}', not a number", row=row, remedy="Export the record again.")
    return value


def _read_time_code(lines: _Lines) -> int | None:
    code = lines.more().split(",")[0].strip()
    quality = lines.more().split(",")[0].strip().upper()
    if quality in _CLOCK_QUALITY:
        lines.detections.append(("clock quality", quality, f"the recorder says its clock is {_CLOCK_QUALITY[quality]}"))
        if quality == "F":
            lines.notes.append("the recorder says that its clock is not reliable")
    match = _TIME_CODE.match(code)
    if match is None:
        if code:
            lines.notes.append(f"time code '{code[:20]}' can't be read: the zone of the case is used")
        return None
    seconds = int(match[2]) * 3600 + int(match[3] or 0) * 60
    if seconds > 14 * 3600:
        lines.notes.append(f"time code '{code}' is no offset from UTC: the zone of the case is used")
        return None
    return -seconds if match[1] == "-" else seconds
