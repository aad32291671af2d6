"""Does the slide stand while it is commanded: the last stretch in which one command was given and moved nothing.

Every spell that was seen held one pulse of the shortest width at least, so that what the command was worth has a lower
bound at any sampling, in step with the controller or not. A slide that stands though it was asked for a good part of
its travel even so has lost that command, unless something takes back what the command brings; of that tell the minutes
without a command.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.slide.estimates import SHORTEST_S, Floats, Mask
from forensics.machine.slide.windows import Course, Pulses, Times, Windows, covered_s, cut
from forensics.model.points import NS
from forensics.stats.robust import batches, bisquare_fit

_FINE_S = 2.5  # samples further apart make a train of pulses look like one held command, if polled in step with it
_SHORTEST_WINDOW_S = 30.0
_FEWEST_QUIET = 20
_PART_OF_STAND = 0.15


@dataclass(frozen=True, slots=True)
class Stand:
    """The last stretch in which a command seemed to move nothing.

    Attributes
    ----------
    span_ns, spells
        First and last moment; spells of the command that were seen in it.
    seconds, worth
        Least that the command acted, s, and % of travel that this would have moved at the usual rate.
    moved, error
        Movement in the command's sense in the windows in which it was given, %, and twice its standard error.
    leak
        Movement in the command's sense in a minute without any command in the later half of it, lowest and highest,
        %/min; not finite where there were too few such minutes.
    minutes
        Minutes of the windows in which it was given.
    level
        Lowest and highest usual level, % of travel.
    by_run
        Mean level in each run in which it was given for a part of the time, %.
    """

    span_ns: tuple[int, int]
    spells: int
    seconds: float
    worth: float
    moved: float
    error: float
    leak: tuple[float, float]
    minutes: float
    level: tuple[float, float]
    by_run: tuple[float, ...]

    @property
    def at_levels(self) -> float:
        """How far the levels of its runs lie apart, %: what balances a leak at one of them does not at another."""
        return max(self.by_run) - min(self.by_run)

    def share(self, *, held_against: bool) -> tuple[float, float]:
        """Lowest and highest rate over the usual one; with what a leak may have taken back, or without."""
        low, high = self.moved - self.error, self.moved + self.error
        if held_against:
            low, high = low - self.minutes * self.leak[1], high - self.minutes * self.leak[0]
        return low / self.worth, high / self.worth


def last_stand(course: Course, sign: int, least_share: float) -> Stand | None:
    """The last stretch in which load (1) or unload (-1) moved less than a share of its usual rate; None for none.

    Parameters
    ----------
    least_share
        Of the usual rate: below it a command counts as not answered.

    Notes
    -----
    The stretch is the one whose sum of what was asked and not answered is largest, counted from the end (cumulative
    sums: E. S. Page 1954, Biometrika 41, 100-115).
    """
    pulses, other = (course.load, course.unload) if sign > 0 else (course.unload, course.load)
    if pulses is None or other is None or not len(pulses.begin) or not len(course.first):
        return None
    windows = cut(course, max(_SHORTEST_WINDOW_S, 4.0 * course.interval_s, 4.0 * pulses.interval_s), (0.0, 0.0))
    windows = windows.where(np.asarray(np.isfinite(windows.work).all(axis=1)))
    if not len(windows):
        return None
    worth = abs(course.usual[0 if sign > 0 else 1]) / 60.0
    asked_s = _least_seconds(pulses, windows)
    given = _touched(course, pulses, windows) & ~_touched(course, other, windows)
    given &= _has_room(course, windows, sign)
    moved = sign * (windows.moved - windows.work @ _by_pressures(course, windows))
    score = np.where(given, least_share * worth * asked_s - moved, 0.0)
    left = np.cumsum(score[::-1])[::-1]
    if not given.any() or float(np.max(left)) <= 0.0:
        return None
    start = int(np.argmax(left))
    chosen = given & (np.arange(len(windows)) >= start)
    return _told(course, windows, chosen, moved, (asked_s, worth), pulses)


def _told(
    course: Course,
    windows: Windows,
    chosen: Mask,
    moved: Floats,
    asked: tuple[Floats, float],
    pulses: Pulses,
) -> Stand | None:
    seconds = float(np.sum(asked[0][chosen]))
    if seconds <= 0.0:
        return None
    span = int(windows.begin[chosen][0]), int(windows.end[chosen][-1])
    inside = (pulses.begin >= span[0]) & (pulses.begin < span[1])
    # a leak may have grown meanwhile: of what it takes back now only the later half of the stretch tells
    half = int(np.searchsorted(np.cumsum(np.where(chosen, asked[0], 0.0)), seconds / 2.0))
    quiet = ~_any_command(course, windows) & ~windows.high & ~windows.low & (np.arange(len(windows)) >= half)
    scatter = _scatter(course)
    leak = _leak(moved[quiet], windows.minutes[quiet], scatter)
    levels = course.v[np.searchsorted(course.t, windows.end[chosen], side="right") - 1]
    return Stand(
        span,
        int(inside.sum()),
        seconds,
        seconds * asked[1],
        float(np.sum(moved[chosen])),
        2.0 * scatter * np.sqrt(2.0 * _pieces(windows, chosen)),
        leak,
        float(np.sum(windows.minutes[chosen])),
        (float(np.quantile(levels, 0.05)), float(np.quantile(levels, 0.95))),
        _by_run(course, windows.end[chosen], levels, asked[0][chosen]),
    )


def _by_run(course: Course, ends: Times, levels: Floats, asked_s: Floats) -> tuple[float, ...]:
    run = np.searchsorted(course.first, ends, side="right") - 1
    given = np.bincount(run, weights=asked_s)
    enough = np.flatnonzero(given >= _PART_OF_STAND * np.sum(given))
    return tuple(float(np.mean(levels[run == k])) for k in enough)


def _least_seconds(pulses: Pulses, windows: Windows) -> Floats:
    """Least time that a command acted in each window, s, every spell shared out over the time that it was seen."""
    seen_s = (pulses.end - pulses.begin) / NS
    step_s = pulses.interval_s
    if not pulses.sampled:
        least = seen_s
    elif step_s <= _FINE_S:
        least = np.maximum(seen_s - step_s, SHORTEST_S)
    else:
        least = np.maximum(np.round(seen_s / step_s), 1.0) * SHORTEST_S
    until = np.cumsum(least)
    edges = np.column_stack([pulses.begin, pulses.end]).ravel()
    acted = np.column_stack([until - least, until]).ravel()
    first = edges[0]
    at_end, at_begin = (np.interp((t - first) / NS, (edges - first) / NS, acted) for t in (windows.end, windows.begin))
    return np.asarray(at_end - at_begin)


def _touched(course: Course, pulses: Pulses, windows: Windows) -> Mask:
    """Windows in which a command acted, or shortly before."""
    slack = round((course.lag_s + pulses.interval_s) * NS)
    return np.asarray(covered_s((pulses.begin, pulses.end), windows.begin - slack, windows.end) > 0)


def _any_command(course: Course, windows: Windows) -> Mask:
    found = np.zeros(len(windows), dtype=bool)
    for pulses in (course.load, course.unload):
        if pulses is not None:
            found |= _touched(course, pulses, windows)
    return found


def _has_room(course: Course, windows: Windows, sign: int) -> Mask:
    first = np.searchsorted(course.t, windows.begin, side="right") - 1
    last = np.searchsorted(course.t, windows.end, side="right") - 1
    levels = np.stack([course.v[first], course.v[last]])
    if sign > 0:
        return np.asarray(np.max(levels, axis=0) < course.high_end - 2.0 * course.margin) & ~windows.high
    return np.asarray(np.min(levels, axis=0) > course.low_end + 2.0 * course.margin) & ~windows.low


def _by_pressures(course: Course, windows: Windows) -> Floats:
    """What the pressures move at a slide that stands, from the windows without a command."""
    count = windows.work.shape[1]
    quiet = windows.where(~_any_command(course, windows))
    if not count or len(quiet) < _FEWEST_QUIET:
        return np.zeros(count)
    fit = bisquare_fit(np.column_stack([quiet.minutes, quiet.work]), quiet.moved, batches(len(quiet)))
    return np.zeros(count) if fit is None else fit.found[1:]


def _scatter(course: Course) -> float:
    """Standard error of one reading, %."""
    step = np.abs(np.diff(course.v))
    if course.by_change:
        step = step[step > 0]
        return float(np.median(step)) if len(step) else course.margin
    usual = 1.4826 * float(np.median(step)) / np.sqrt(2.0) if len(step) else course.margin
    return max(usual, course.margin / 6.0)


def _pieces(windows: Windows, chosen: Mask) -> int:
    """How many stretches without a break the chosen windows make up: between two of them no reading is shared."""
    index = np.flatnonzero(chosen)
    apart = (np.diff(index) > 1) | (windows.begin[index[1:]] > windows.end[index[:-1]])
    return 1 + int(np.sum(apart))


def _leak(moved: Floats, minutes: Floats, scatter: float) -> tuple[float, float]:
    if len(moved) < _FEWEST_QUIET:
        return -np.inf, np.inf
    rate = moved / minutes
    half = 2.0 * max(float(np.std(rate)), scatter / float(np.median(minutes))) / np.sqrt(len(rate))
    return float(np.mean(rate)) - half, float(np.mean(rate)) + half
