"""How a number or a time is shown to people: unit system, local time with its offset, words for roles.

Inside the workbook everything is canonical (kPa absolute, degC, UTC); only figures, tables and the report convert,
and all of them through this module, so that one report never mixes two systems or two zones.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS, Span, iso, to_datetime
from forensics.model.units import read_unit
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role

SIGNIFICANT = 4
PLAIN_FROM, PLAIN_TO = 1e-4, 1e7
ROUNDING = 1e-12
CANNOT = "–"

_KPA_PER_PSI = read_unit("psi").factor  # type: ignore[union-attr]
_MM_PER_INCH = read_unit("in/s").factor  # type: ignore[union-attr]
_INCH_POUND: dict[str, tuple[str, float, float]] = {
    "kPa": ("psi", 1.0 / _KPA_PER_PSI, 0.0),
    "kPa abs": ("psia", 1.0 / _KPA_PER_PSI, 0.0),
    "degC": ("°F", 1.8, 32.0),
    "K": ("°F difference", 1.8, 0.0),
    "mm/s": ("in/s", 1.0 / _MM_PER_INCH, 0.0),
}
_SI: dict[str, tuple[str, float, float]] = {"degC": ("°C", 1.0, 0.0), "1": ("", 1.0, 0.0)}
_WORDS = {
    Role.MOTOR_AMPS: "motor current",
    Role.AMPS_A: "current, phase A",
    Role.AMPS_B: "current, phase B",
    Role.AMPS_C: "current, phase C",
    Role.VOLTS_AB: "voltage A to B",
    Role.VOLTS_BC: "voltage B to C",
    Role.VOLTS_CA: "voltage C to A",
    Role.DRIVE_HERTZ: "drive frequency",
    Role.DISCHARGE_PRESSURE: "discharge pressure (before the check valve)",
    Role.CONDENSER_PRESSURE: "condenser pressure (after the check valve)",
    Role.HIGH_SIDE_PRESSURE: "high-side pressure (location not known)",
    Role.OIL_PRESSURE: "oil feed pressure",
    Role.OIL_PRESSURE_DIFFERENCE: "oil pressure difference",
    Role.OIL_FILTER_IN_PRESSURE: "oil pressure before the filter",
    Role.BYPASS_SOLENOID: "bypass solenoid",
    Role.TRIP: "trip or alarm",
    Role.VIBRATION_VELOCITY: "vibration velocity, RMS",
}
_ROLE_NAME = re.compile(
    r"\b(?:" + "|".join(sorted((r.value for r in Role if "_" in r.value), key=len, reverse=True)) + r")\b"
)


def role_words(role: Role) -> str:
    """Words for a role, as figures and tables print it."""
    return _WORDS.get(role, role.value.replace("_", " "))


def roles_in_words(text: str) -> str:
    """A sentence in which the names of roles are put into words: ``volts_ab`` reads *voltage A to B*."""
    return _ROLE_NAME.sub(lambda found: role_words(Role(found[0])), text)


@dataclass(frozen=True, slots=True)
class Shown:
    """A unit as it is shown: ``shown = canonical * factor + offset``."""

    text: str
    factor: float = 1.0
    offset: float = 0.0

    def array(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Canonical values in this unit; shape is kept, NaN stays NaN."""
        return values * self.factor + self.offset

    def number(self, value: float | None, *, digits: int = SIGNIFICANT) -> str:
        """One value as text without its unit; a dash where there is none."""
        return number(None if value is None else value * self.factor + self.offset, digits=digits)


def number(value: float | None, *, digits: int = SIGNIFICANT) -> str:
    """A number to some significant digits, never in powers of ten between 0.001 and a million.

    What is smaller than 1e-12 is what floating point leaves of nothing, and is shown as 0.
    """
    if value is None or not math.isfinite(value):
        return CANNOT
    if abs(value) < ROUNDING:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(places, 9)}f}" if PLAIN_FROM <= abs(value) < PLAIN_TO else f"{value:.{digits}g}"
    return text.rstrip("0").rstrip(".") if "." in text and "e" not in text else text


def readable(value: float | None, *, digits: int = 3) -> str:
    """A number for people: two or three digits, thousands separated, a true minus sign; whole numbers stay whole."""
    text = number(value, digits=digits)
    if "e-" in text:
        return "0"
    if not text.lstrip("-").replace(".", "", 1).isdigit():
        return text
    whole, dot, rest = text.lstrip("-").partition(".")
    return f"{'−' if text.startswith('-') and float(text) else ''}{int(whole):,}{dot}{rest}"


def alike(values: Sequence[float | None], *, digits: int = 3) -> list[str]:
    """A value with its bounds for people, all to the same place: no finer than two digits of the interval's width.

    Parameters
    ----------
    values
        The value, its low and its high end, then others in the same unit, which are told to ``digits`` digits.
    """
    value, low, high, *others = values
    places = None
    if value is not None and low is not None and high is not None and high - low > ROUNDING:
        largest = max(abs(value), abs(low), abs(high))
        places = min(1 - math.floor(math.log10(high - low)), digits - 1 - math.floor(math.log10(largest)))
    rounded = [v if v is None or places is None else round(v, places) for v in (value, low, high)]
    return ["" if v is None else readable(v, digits=digits) for v in (*rounded, *others)]


def shown_unit(unit: str, display: str) -> Shown:
    """How a canonical unit (``kPa``, ``degC``, ``K``, …) is shown in ``si`` or ``inch-pound``."""
    table = _INCH_POUND if display == "inch-pound" else {}
    text, factor, offset = table.get(unit, _SI.get(unit, (unit, 1.0, 0.0)))
    return Shown(text, factor, offset)


def shown_role(role: Role, display: str) -> Shown:
    """How readings of a role are shown; an absolute pressure says that it is absolute."""
    facts = ROLE_FACTS[role]
    unit = "kPa abs" if facts.dimension is Dimension.PRESSURE else facts.unit
    return shown_unit(unit, display)


def shown_change(role: Role, display: str) -> Shown:
    """How a change of a role's readings is shown: no offset, and no word of an absolute pressure."""
    facts = ROLE_FACTS[role]
    return shown_unit("K" if facts.dimension is Dimension.TEMPERATURE else facts.unit, display)


def duration_words(seconds: float | None) -> str:
    """A duration in the unit that reads best."""
    if seconds is None or not math.isfinite(seconds):
        return CANNOT
    for unit_s, name in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if abs(seconds) >= 2 * unit_s:
            return f"{number(seconds / unit_s, digits=3)} {name}"
    return f"{number(seconds, digits=3)} s"


_NONE = timedelta()


@dataclass(frozen=True, slots=True)
class ReportTime:
    """The one time zone that every table and figure of a report uses.

    Attributes
    ----------
    zone
        IANA name that the case gives.
    offset_s
        Offset of local time from UTC over the whole record, s; None where the clocks change inside it: axes
        are then in UTC, because the repeated hour would fold, and a time in words has the offset of its own instant.
    """

    zone: str
    offset_s: int | None

    @classmethod
    def over(cls, zone: str, span: Span) -> ReportTime:
        """The zone for a span of time."""
        info = ZoneInfo(zone)
        step_ns = 6 * 3600 * NS
        times = [*range(span.start_ns, span.end_ns, max(step_ns, (span.end_ns - span.start_ns) // 2000)), span.end_ns]
        offsets = {to_datetime(t).astimezone(info).utcoffset() for t in times}
        only = offsets.pop() if len(offsets) == 1 else None
        return cls(zone, None if only is None else round(only.total_seconds()))

    def changes(self, span: Span) -> list[tuple[int, str]]:
        """Instants in a span (ns UTC) at which the zone's offset changes, to the second, each with the new offset."""
        info = ZoneInfo(self.zone)

        def offset_s(time_ns: int) -> int:
            return round((to_datetime(time_ns).astimezone(info).utcoffset() or timedelta()).total_seconds())

        found = []
        step_ns = 6 * 3600 * NS
        for start_ns in range(span.start_ns, span.end_ns, step_ns):
            low, high = start_ns, min(start_ns + step_ns, span.end_ns)
            if offset_s(low) == offset_s(high):
                continue
            while high - low > NS:
                middle = (low + high) // 2
                low, high = (middle, high) if offset_s(middle) == offset_s(low) else (low, middle)
            hours, minutes = divmod(abs(offset_s(high)) // 60, 60)
            found.append((high, f"clocks change to UTC{'-' if offset_s(high) < 0 else '+'}{hours:02d}:{minutes:02d}"))
        return found

    @property
    def hover_format(self) -> str:
        """How a date axis tells a time under the pointer: with the offset."""
        return f"%Y-%m-%d %H:%M:%S.%L {'UTC' if self.offset_s is None else self.offset_text}"

    @property
    def offset_text(self) -> str:
        """``-05:00``, or ``Z`` in UTC."""
        if not self.offset_s:
            return "Z" if self.offset_s is None else "+00:00"
        minutes = abs(self.offset_s) // 60
        return f"{'-' if self.offset_s < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"

    @property
    def axis_title(self) -> str:
        """Title of every time axis."""
        if self.offset_s is None:
            return f"UTC (the clocks of {self.zone} change within the record)"
        return f"local time, {self.zone} (UTC{self.offset_text})"

    def axis_ms(self, time_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        """Milliseconds for a date axis, which knows no zones: the offset is put in."""
        return np.asarray(time_ns, np.float64) / 1e6 + 1e3 * (self.offset_s or 0)

    def local(self, time_ns: int) -> datetime:
        """Time in the zone of the report, aware."""
        return to_datetime(int(time_ns)).astimezone(timezone(timedelta(seconds=self.offset_s or 0)))

    def stamp(self, time_ns: int) -> tuple[datetime, str]:
        """Local time and the offset that holds at that instant, also where the clocks change within the record."""
        offset_s = self.offset_s
        if offset_s is None:
            offset_s = round(
                (to_datetime(int(time_ns)).astimezone(ZoneInfo(self.zone)).utcoffset() or _NONE).total_seconds()
            )
        at = to_datetime(int(time_ns)).astimezone(timezone(timedelta(seconds=offset_s)))
        minutes = abs(offset_s) // 60
        return at, f"{'-' if offset_s < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"

    def text(self, time_ns: int | None) -> str:
        """Local time with its offset to the second (milliseconds where there are some): for tables."""
        if time_ns is None:
            return CANNOT
        stamp, offset = self.stamp(round(int(time_ns), -6))
        shown = f"{stamp:%Y-%m-%d %H:%M:%S}"
        if stamp.microsecond:
            shown += f".{stamp.microsecond // 1000:03d}"
        return f"{shown} {offset}"

    def both(self, time_ns: int | None) -> str:
        """Local time with its offset, and UTC."""
        if time_ns is None:
            return self.text(time_ns)
        return f"{self.text(time_ns)} ({iso(time_ns)})"

    def spoken(self, time_ns: int | None) -> str:
        """Day and time as people say them, with the offset: ``7 Mar 2031, 05:02:28 (UTC−06:00)``."""
        if time_ns is None:
            return CANNOT
        stamp, offset = self.stamp(round(int(time_ns), -9))
        return f"{stamp.day} {stamp:%b %Y}, {stamp:%H:%M:%S} ({_zone(offset)})"

    def spoken_interval(self, earliest_ns: int, latest_ns: int) -> str:
        """An event as an interval of one day: ``7 Mar, 05:02:11.5 to 05:02:12.5 (UTC−06:00)``."""
        (begin, at_first), (end, offset) = self.stamp(round(earliest_ns, -6)), self.stamp(round(latest_ns, -6))
        first, last = (
            f"{t:%H:%M:%S}" + (f".{t.microsecond // 100_000}" if t.microsecond else "") for t in (begin, end)
        )
        day = "" if begin.date() == end.date() else f"{end.day} {end:%b}, "
        until = "" if earliest_ns == latest_ns else f" to {day}{last}"
        changed = "" if at_first == offset else f" ({_zone(at_first)})"
        return f"{begin.day} {begin:%b}, {first}{changed}{until} ({_zone(offset)})"

    def interval(self, earliest_ns: int, latest_ns: int) -> str:
        """An event as an interval."""
        if earliest_ns == latest_ns:
            return self.text(earliest_ns)
        return f"{self.text(earliest_ns)} to {self.text(latest_ns)}"


def _zone(offset: str) -> str:
    return f"UTC{offset.replace('-', '−')}"


def local_title(clock: ReportTime, time_ns: int, *, event: str = "failure") -> str:
    """Words for a time axis in a picture: local time with its offset, the day included."""
    stamp = clock.local(time_ns)
    zone = "UTC" if clock.offset_s is None else f"local time, UTC{clock.offset_text.replace('-', '−')}"
    return f"{zone}; {event} on {stamp.day} {stamp:%b %Y}"
