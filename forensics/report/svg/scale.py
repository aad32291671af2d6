"""Scales of a picture: round numbers on a value axis, round clock times on a time axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from forensics.model.points import NS
from forensics.report.words.units import ReportTime, readable

_TIME_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800)
_DAY_S = 86400
_MINUTE_S = 60


@dataclass(frozen=True)
class Scale:
    """From a value to its place: ``low`` and ``high`` stand at ``at_low`` and ``at_high``."""

    low: float
    high: float
    at_low: float
    at_high: float

    def __call__(self, value: float) -> float:
        """Place of a value."""
        span = self.high - self.low or 1.0
        return self.at_low + (value - self.low) / span * (self.at_high - self.at_low)


def value_ticks(low: float, high: float, *, most: int = 4) -> list[float]:
    """Round numbers that span a range, both ends at or beyond it."""
    if not high > low:
        low, high = low - 1.0, high + 1.0
    rough = (high - low) / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 2.5, 5, 10) if power * m >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(n * step, 10) for n in range(first, last + 1)]


def tick_words(value: float) -> str:
    """A tick's number as people write it."""
    return readable(value, digits=4)


def time_ticks(clock: ReportTime, low_ns: int, high_ns: int, *, most: int = 7) -> list[tuple[int, str]]:
    """Round clock times of the report's zone inside a span (ns UTC), each with its words."""
    span_s = (high_ns - low_ns) / NS
    step_s = next((s for s in _TIME_STEPS_S if span_s / s <= most), None)
    if step_s is None:
        step_s = _DAY_S * math.ceil(span_s / most / _DAY_S)
    offset_s = clock.offset_s or 0
    first = math.ceil((low_ns / NS + offset_s) / step_s)
    found = []
    while (first * step_s - offset_s) * NS <= high_ns:
        at_ns = (first * step_s - offset_s) * NS
        if at_ns >= low_ns:
            found.append((at_ns, _words(clock.local(at_ns), step_s)))
        first += 1
    return found


def _words(stamp: datetime, step_s: int) -> str:
    if step_s >= _DAY_S or (step_s >= _DAY_S // 24 and stamp.hour == 0 and stamp.minute == 0):
        return f"{stamp.day} {stamp:%b}"
    return f"{stamp:%H:%M}" if step_s >= _MINUTE_S else f"{stamp:%H:%M:%S}"


def clock_words(clock: ReportTime, time_ns: int) -> str:
    """Day and time to the minute, as a note says it."""
    stamp = clock.local(time_ns) + timedelta(seconds=30)
    return f"{stamp.day} {stamp:%b %H:%M}"
