"""Windows of running: how far the slide moved in each, and how long its commands acted, with the error of that.

Arrays in, arrays out; nothing here knows of findings. A command sampled as on or off shows its share of time without
bias even where pulses fall between samples: of a short pulse each sample shows a whole interval or nothing, and the
variance of that is known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS

Floats = NDArray[np.float64]
Times = NDArray[np.int64]
Mask = NDArray[np.bool_]
_SINGLE = 1.5
_FEWEST_ALONE = 5
_MOST_SECONDS = 4.0
_EVEN_SIXTH = 1.0 / 6.0  # variance of a width read on a grid, in squared intervals, over all phases (physics)


@dataclass(frozen=True)
class Pulses:
    """Spells in which a command was seen to act: begins and ends in ns, shape (n,); the spacing of its samples in s.

    ``known`` holds begins and ends of the spans in which its state is known. ``sampled`` is False for change logs,
    which miss no pulse.
    """

    begin: Times
    end: Times
    interval_s: float
    sampled: bool
    known: tuple[Times, Times]

    @property
    def single(self) -> Mask:
        """Spells seen on one sample, shape (n,): as many like them may have been missed."""
        return np.asarray((self.end - self.begin) <= _SINGLE * self.interval_s * NS) & self.sampled


@dataclass(frozen=True)
class Course:
    """What the estimate is made of.

    Attributes
    ----------
    t, v
        Readings of the slide, ns and % of travel, shape (n,).
    interval_s, by_change
        Spacing of the readings; whether they were written by change.
    first, last
        Spans of running to look at, ns, shape (r,).
    load, unload
        None where the command is not recorded.
    low_end, high_end, margin
        Ends of travel and how near counts as standing there, %.
    work
        Readings (ns, kPa) of pressures that move a current at a slide that stands; empty by slide position.
    oil
        Readings (ns, kPa) of the pressure that drives the slide, or None.
    lag_s
        Time by which slide and sensor follow a pulse.
    usual
        Rates that the profile's travel times give, %/min of load (positive) and of unload (negative).
    """

    t: Times
    v: Floats
    interval_s: float
    by_change: bool
    first: Times
    last: Times
    load: Pulses | None
    unload: Pulses | None
    low_end: float = 0.0
    high_end: float = 100.0
    margin: float = 3.0
    work: tuple[tuple[Times, Floats], ...] = ()
    oil: tuple[Times, Floats] | None = None
    lag_s: float = 8.0
    usual: tuple[float, float] = (100.0, -133.0)


@dataclass(frozen=True)
class Windows:
    """Windows in time order, each shape (n,): ends in ns; movement in %; minutes, minutes of command, their variance.

    ``away`` is the share of the readings that stood clear of both ends. ``high`` and ``low`` mark windows that touched
    an end of travel. ``work`` is what the pressures moved times the
    level, shape (n, k); ``oil`` the driving pressure at the begin, NaN where unknown.
    """

    begin: Times
    end: Times
    moved: Floats
    minutes: Floats
    load: Floats
    unload: Floats
    load_error: Floats
    unload_error: Floats
    away: Floats
    high: Mask
    low: Mask
    work: Floats
    oil: Floats

    def __len__(self) -> int:
        return len(self.begin)

    def where(self, chosen: Mask) -> Windows:
        """The chosen windows."""
        return replace(self, **{name: getattr(self, name)[chosen] for name in self.__dataclass_fields__})


def cut(course: Course, length_s: float, widths_s: tuple[float, float]) -> Windows:
    """Cut the running into windows of a length, each from one reading of the slide to a later one.

    Parameters
    ----------
    length_s
        At least; never shorter than two readings.
    widths_s
        Usual width of a pulse of load and of unload, as far as known: what a sample that shows one stands for.
    """
    i, j = _by_change(course, length_s) if course.by_change else _by_reading(course, length_s)
    begin, end = (i, j) if course.by_change else (course.t[i], course.t[j])
    known = end > begin  # stamps that repeat leave no time to move in
    for pulses in (course.load, course.unload):
        if pulses is not None:
            known &= covered_s(pulses.known, begin, end) >= 0.98 * (end - begin) / NS
    begin, end = begin[known], end[known]
    first = np.searchsorted(course.t, begin, side="right") - 1
    last = np.searchsorted(course.t, end, side="right") - 1
    lowest, highest = _extremes(course.v, first, last)
    load, load_error = _acting(course.load, begin, end, widths_s[0])
    unload, unload_error = _acting(course.unload, begin, end, widths_s[1])
    level = (course.v[first] + course.v[last]) / 2.0 if len(first) else np.zeros(0)
    work = [(at(p, end) - at(p, begin)) * level / 100.0 for p in course.work]
    return Windows(
        begin=begin,
        end=end,
        moved=course.v[last] - course.v[first],
        minutes=(end - begin) / NS / 60.0,
        load=load,
        unload=unload,
        load_error=load_error,
        unload_error=unload_error,
        away=_away(course, first, last),
        high=highest >= course.high_end - course.margin,
        low=lowest <= course.low_end + course.margin,
        work=np.column_stack(work) if work else np.zeros((len(begin), 0)),
        oil=np.full(len(begin), np.nan) if course.oil is None else at(course.oil, begin),
    )


def _by_reading(course: Course, length_s: float) -> tuple[Times, Times]:
    step = max(1, int(np.ceil(length_s / course.interval_s - 0.01)))
    low = np.searchsorted(course.t, course.first)
    high = np.searchsorted(course.t, course.last, side="right") - 1
    parts = [np.arange(a, b - step + 1, step) for a, b in zip(low, high, strict=True) if b - a >= step]
    i = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
    j = i + step
    # readings that are lost leave no window
    whole = (course.t[j] - course.t[i]) / NS <= 1.3 * step * course.interval_s + 1.0
    return i[whole], j[whole]


def _by_change(course: Course, length_s: float) -> tuple[Times, Times]:
    step = round(length_s * NS)
    until = np.minimum(course.last, course.t[-1]) if len(course.t) else course.last
    since = np.maximum(course.first, course.t[0]) if len(course.t) else course.first
    parts = [np.arange(a, b - step + 1, step) for a, b in zip(since, until, strict=True) if b - a >= step]
    begin = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
    return begin, begin + step


def _extremes(v: Floats, first: Times, last: Times) -> tuple[Floats, Floats]:
    if not len(first):
        return np.zeros(0), np.zeros(0)
    bounds = np.column_stack([first, np.minimum(last + 1, len(v) - 1)]).ravel()
    lowest = np.minimum.reduceat(v, bounds)[::2]
    highest = np.maximum.reduceat(v, bounds)[::2]
    return np.minimum(lowest, v[last]), np.maximum(highest, v[last])


def _away(course: Course, first: Times, last: Times) -> Floats:
    clear = (course.v > course.low_end + course.margin) & (course.v < course.high_end - course.margin)
    total = np.concatenate(([0], np.cumsum(clear)))
    return np.asarray((total[last + 1] - total[first]) / np.maximum(last + 1 - first, 1))


def _acting(pulses: Pulses | None, begin: Times, end: Times, width_s: float) -> tuple[Floats, Floats]:
    """Minutes of command in each window, and the variance of that."""
    if pulses is None:
        return np.zeros(len(begin)), np.zeros(len(begin))
    minutes = covered_s((pulses.begin, pulses.end), begin, end) / 60.0
    step = pulses.interval_s / 60.0
    missed = max(0.0, 1.0 - width_s / max(pulses.interval_s, 1e-9))
    each = np.where(pulses.single, max(missed, _EVEN_SIXTH), _EVEN_SIXTH) * step**2
    total = np.concatenate(([0.0], np.cumsum(each)))
    i, j = np.searchsorted(pulses.begin, begin), np.searchsorted(pulses.begin, end)
    return minutes, total[j] - total[i]


def at(reading: tuple[Times, Floats], times: Times) -> Floats:
    """Last reading at or before each time; NaN before the first."""
    t, v = reading
    if not len(t):
        return np.full(len(times), np.nan)
    index = np.searchsorted(t, times, side="right") - 1
    return np.where(index >= 0, v[np.maximum(index, 0)], np.nan)


def covered_s(spans: tuple[Times, Times], begin: Times, end: Times) -> Floats:
    """Seconds of each window that lie in spans, which do not overlap and are in time order."""
    return _integral(spans, end) - _integral(spans, begin)


def _integral(spans: tuple[Times, Times], times: Times) -> Floats:
    starts, ends = spans
    if not len(starts):
        return np.zeros(len(times))
    lengths = np.concatenate(([0.0], np.cumsum((ends - starts) / NS)))
    index = np.searchsorted(starts, times, side="right") - 1
    safe = np.maximum(index, 0)
    inside = np.clip(times - starts[safe], 0, ends[safe] - starts[safe]) / NS
    return np.where(index < 0, 0.0, lengths[safe] + inside)


def independent_looks(pulses: Pulses, first: Times, last: Times) -> float:
    """How many of the spells inside spans of running were seen independently of each other.

    Polling in step with the controller sees every pulse of a train in one phase, or none: spells that follow each
    other at one spacing are one look, and a look that gives most of the time seen counts for most of it (the design
    effect of clusters of unequal size: the square of the sum over the sum of the squares).
    """
    run = np.searchsorted(first, pulses.begin, side="right") - 1
    inside = (run >= 0) & (pulses.begin < last[np.maximum(run, 0)]) if len(first) else np.zeros(len(run), dtype=bool)
    begins, acting = pulses.begin[inside], (pulses.end - pulses.begin)[inside] / NS
    if not len(begins):
        return 0.0
    spacing = np.diff(begins) / NS
    apart = np.abs(np.diff(spacing, prepend=spacing[:1])) > pulses.interval_s / 2.0
    train = np.concatenate(([0], np.cumsum(apart)))
    seen = np.bincount(train, weights=acting)
    return float(np.sum(seen) ** 2 / np.sum(seen**2))


def moved_alone(course: Course, pulses: Pulses, other: Pulses | None, drift: float) -> tuple[Times, Floats, Mask]:
    """Begin and movement of every spell that the opposite command left alone, drift (%/min) taken off.

    The last array marks those without another spell of their own near, so that they moved by one pulse.
    """
    reach = round((course.lag_s + pulses.interval_s + 2.0 * course.interval_s) * NS)
    before, after = pulses.begin - round((pulses.interval_s + course.interval_s) * NS), pulses.end + reach
    run = np.searchsorted(course.first, before, side="right") - 1
    good = (run >= 0) & (after <= course.last[np.maximum(run, 0)])
    if other is not None:
        good &= np.searchsorted(other.begin, after) == np.searchsorted(other.end, before, side="right")
    begin, before, after = pulses.begin[good], before[good], after[good]
    level, later = at((course.t, course.v), before), at((course.t, course.v), after)
    moved = later - level - drift * (after - before) / NS / 60.0
    own = np.searchsorted(pulses.begin, after) - np.searchsorted(pulses.end, before, side="right") == 1
    return begin, moved, own & np.isfinite(moved)


def size_of_pulse(course: Course, pulses: Pulses | None, usual: float) -> tuple[float, float]:
    """Median movement at spells that stand alone and its spread, %; where few tell it, that of a second at usual rate.

    A pulse that seems to move against its own sense, or as far as several would, is none that stands alone.
    """
    second = usual / 60.0
    if pulses is None or not len(pulses.begin):
        return second, 0.45 * abs(second)
    others = [p for p in (course.load, course.unload) if p is not None]
    begins, ends = (np.sort(np.concatenate([getattr(p, n) for p in others])) for n in ("begin", "end"))
    reach = round((course.lag_s + pulses.interval_s + 2.0 * course.interval_s) * NS)
    before, after = pulses.begin - round((pulses.interval_s + course.interval_s) * NS), pulses.end + reach
    alone = np.searchsorted(begins, after) - np.searchsorted(ends, before) == 1
    alone &= pulses.single | (not pulses.sampled)
    run = np.searchsorted(course.first, before, side="right") - 1
    alone &= (run >= 0) & (after <= course.last[np.maximum(run, 0)])
    level, later = at((course.t, course.v), before[alone]), at((course.t, course.v), after[alone])
    free = (np.minimum(level, later) > course.low_end + course.margin) & (
        np.maximum(level, later) < course.high_end - course.margin
    )
    moved = (later - level)[free]
    if len(moved) < _FEWEST_ALONE:
        return second, 0.45 * abs(second)
    middle = float(np.median(moved))
    spread = 1.4826 * float(np.median(np.abs(moved - middle)))
    credible = 0.0 < middle / second < _MOST_SECONDS and abs(middle) > 3.0 * spread / np.sqrt(len(moved))
    if not credible:
        return second, 0.45 * abs(second)
    return middle, float(np.clip(spread, 0.15 * abs(middle), 0.45 * abs(middle)))
