"""The difference across the rotors: discharge less suction, with the sensors' own offset had from the rest state."""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.duty.baseline import max_age_s
from forensics.machine.states import Run
from forensics.machine.subject import Subject
from forensics.model.points import NS, Samples, middle
from forensics.model.record import Record
from forensics.model.vocabulary import Recorded, Role
from forensics.rules import Limits

Floats = NDArray[np.float64]
_LONG_REST_S = 600.0
_LAST_OF_REST_S = 60.0
_EQUAL_KPA = 30.0


@dataclass(frozen=True)
class Difference:
    """A pressure less suction, at the times of the pressure.

    Attributes
    ----------
    t, v
        ns UTC and kPa, shape (n,); suction is its last reading at or before each time.
    interval_s
        The slower of the two points.
    offset_kpa, offset_error_kpa
        What the sensors show when both sides are equal, and half width of what is known of it.
    """

    upper: Samples
    lower: Samples
    t: NDArray[np.int64]
    v: Floats
    interval_s: float
    offset_kpa: float = 0.0
    offset_error_kpa: float = 0.0

    def between(self, start_ns: int, end_ns: int) -> tuple[NDArray[np.int64], Floats]:
        """Times and differences (offset taken off) with ``start_ns <= t < end_ns``.

        A change log holds its last value: it is read every second of the window.
        """
        if self.upper.origin.recorded is Recorded.CHANGE:
            times = np.arange(start_ns, max(start_ns, end_ns), NS, dtype=np.int64)
            held = self.upper.at(times, max_age_s(self.upper)) - self.lower.at(times, max_age_s(self.lower))
            known = np.isfinite(held)
            return times[known], held[known] - self.offset_kpa
        low, high = self.t.searchsorted([start_ns, end_ns])
        values = self.v[low:high] - self.offset_kpa
        good = np.isfinite(values)
        return self.t[low:high][good], values[good]

    def last_before(self, time_ns: int, within_s: float) -> float | None:
        """Median difference over the last ``within_s`` up to a time (at least its last sample).

        None where nothing is known of it, and where a single reading gives no interval to look back over.
        """
        if not np.isfinite(within_s):
            return None
        _, values = self.between(time_ns - round(within_s * NS), time_ns + 1)
        return middle(values) if len(values) else None


def difference(subject: Subject, upper_role: Role) -> Difference | None:
    """A pressure of the high side less suction; None where one of them is not logged."""
    record = subject.record
    upper, lower = record.fastest(upper_role), record.fastest(Role.SUCTION_PRESSURE)
    if upper is None or lower is None:
        return None
    upper, lower = upper.trusted, lower.trusted
    if not len(upper) or not len(lower):
        return None
    values = upper.v - lower.at(upper.t, max_age_s(lower))
    interval_s = max(upper.interval_s, lower.interval_s)
    return Difference(upper, lower, upper.t, values, interval_s)


def across_rotors(subject: Subject) -> Difference | None:
    """Discharge (before the check valve) less suction, with its offset at rest; None where either is missing.

    Made once for a record and its runs.
    """
    for known, runs, limits, found in _made:
        if known() is subject.record and runs is subject.runs and limits is subject.limits:
            return found
    found = _across(subject)
    _made[:] = [(weakref.ref(subject.record), subject.runs, subject.limits, found)]
    return found


def _across(subject: Subject) -> Difference | None:
    plain = difference(subject, Role.DISCHARGE_PRESSURE)
    if plain is None:
        return None
    offset, error = _rest_offset(subject, plain)
    return Difference(
        upper=plain.upper,
        lower=plain.lower,
        t=plain.t,
        v=plain.v,
        interval_s=plain.interval_s,
        offset_kpa=offset,
        offset_error_kpa=error,
    )


_made: list[tuple[weakref.ref[Record], tuple[Run, ...], Limits, Difference | None]] = []


def _rest_offset(subject: Subject, plain: Difference) -> tuple[float, float]:
    """Offset of the two sensors, kPa: from long rests, by preference such in which the whole machine is equal.

    A leak of the check valve holds a true difference for many minutes, so without a fully equal rest the lower
    quartile stands, with the sensors' usual error.
    """
    high = difference(subject, Role.CONDENSER_PRESSURE)
    levels: list[float] = []
    equal: list[float] = []
    ends = [run.last_ns for run in subject.runs]
    begins = [run.first_ns for run in subject.runs[1:]] + [subject.record.window.end_ns]
    rests = list(zip(ends, begins, strict=False)) if ends else []
    if subject.runs and subject.runs[0].begin is not None and len(plain.t):
        rests.insert(0, (int(plain.t[0]), subject.runs[0].first_ns))
    for begin, end in rests:
        if (end - begin) / NS < _LONG_REST_S:
            continue
        level = plain.last_before(end - 2 * NS, max(_LAST_OF_REST_S, 3.0 * plain.interval_s))
        if level is None:
            continue
        levels.append(level)
        upper = high.last_before(end - 2 * NS, max(_LAST_OF_REST_S, 3.0 * high.interval_s)) if high else None
        if upper is not None and abs(upper) < _EQUAL_KPA:
            equal.append(level)
    error = subject.limits["coastdown.sensor_kpa"]
    if equal:
        spread = float(np.median(np.abs(np.array(equal) - np.median(equal))))
        return float(np.median(equal)), max(spread, 0.3 * error)
    if levels:
        return float(np.quantile(levels, 0.25)), error
    return 0.0, 2.0 * error
