"""The drift of windows without a pulse: sharp where most of them hold none, seen or missed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.slide.balance import commanded, estimate_of
from forensics.machine.slide.estimates import SHORTEST_S, SIGMAS, STRENGTH, Estimate, Floats, Mask, Moment, Part, Sizes
from forensics.machine.slide.windows import Course, Windows, covered_s, cut
from forensics.model.points import NS
from forensics.stats.change import change_of_slope
from forensics.stats.missed_steps import Beneath, Steps, rate_beneath
from forensics.stats.robust import batches, bisquare_fit

_QUIET_LENGTHS_S = (10.0, 15.0, 30.0, 60.0, 120.0)
_CROWDED = 0.5
_MOST_PULSES = 1.1
_FEWEST_CLEAR = 40
_STILL_SHARE = 0.4
_SEEN_MISSED = 0.4
_MOST_WINDOWS = 3000


@dataclass(frozen=True)
class Quiet:
    """The drift of quiet windows, and the share of them without a pulse that was missed."""

    part: Part
    still: float


def quiet_drift(course: Course, sizes: Sizes) -> tuple[Quiet | None, Estimate | None]:
    """Drift from windows without a seen pulse, of the longest length at which most of them hold none at all."""
    if not commanded(course):
        return None, None
    chosen: tuple[Quiet, Estimate | None] | None = None
    crowd = 0.0
    for length_s in _QUIET_LENGTHS_S:
        if length_s < course.interval_s:
            continue
        if chosen is not None and crowd * length_s > _CROWDED:
            break
        windows = cut(course, length_s, (0.0, 0.0))
        windows = windows.where(~(windows.high | windows.low) & np.isfinite(windows.work).all(axis=1))
        clear = without_pulse(course, windows)
        if not len(windows) or int(clear.sum()) < _FEWEST_CLEAR:
            break
        each_s = _pulses_a_second(course, windows, sizes)
        missed = _missed(course, each_s, 60.0 * float(np.mean(windows.minutes)))
        if sum(missed) > _MOST_PULSES:
            break
        found = _quiet_fit(windows, clear, sizes, missed)
        if found is None:
            continue
        if found[0].still > np.exp(-_SEEN_MISSED * sum(missed)):
            # fewer pulses are made out than the samples of the commands say were missed: what is left holds some
            continue
        crowd = max(sum(missed) / length_s, -float(np.log(found[0].still)) / length_s)
        if chosen is None or found[0].part.end.width < chosen[0].part.end.width:
            chosen = found
    return (None, None) if chosen is None else chosen


def _pulses_a_second(course: Course, windows: Windows, sizes: Sizes) -> tuple[float, float]:
    """How many pulses of load and of unload a second of running holds, missed ones included, by their usual width."""
    found = []
    seconds = 60.0 * float(np.sum(windows.minutes))
    for pulses, minutes, (size, _), usual in zip(
        (course.load, course.unload), (windows.load, windows.unload), sizes, course.usual, strict=True
    ):
        if pulses is None or not len(pulses.begin):
            found.append(0.0)
            continue
        seen_s = float(np.median((pulses.end - pulses.begin) / NS))
        width_s = min(max(60.0 * size / usual, SHORTEST_S), seen_s) if pulses.single.mean() > 0.5 else seen_s  # noqa: PLR2004
        found.append(60.0 * float(np.sum(minutes)) / width_s / seconds)
    return found[0], found[1]


def _missed(course: Course, each_s: tuple[float, float], length_s: float) -> tuple[float, float]:
    """How many pulses a window without a seen one holds."""
    shares = []
    for pulses, rate in zip((course.load, course.unload), each_s, strict=True):
        unseen = pulses is not None and pulses.sampled and len(pulses.begin) and pulses.single.mean() > 0.5  # noqa: PLR2004
        shares.append(rate * length_s if unseen else 0.0)
    return shares[0], shares[1]


def without_pulse(course: Course, windows: Windows) -> Mask:
    """Windows in which no pulse was seen, nor shortly before."""
    clear = np.ones(len(windows), dtype=bool)
    for pulses in (course.load, course.unload):
        if pulses is None:
            continue
        slack = round((course.lag_s + pulses.interval_s) * NS)
        clear &= covered_s((pulses.begin, pulses.end), windows.begin - slack, windows.end) <= 0
    return clear


def _quiet_fit(
    every: Windows, clear: Mask, sizes: Sizes, missed: tuple[float, float]
) -> tuple[Quiet, Estimate | None] | None:
    windows = every.where(clear)
    extra = windows.work
    fit = bisquare_fit(np.column_stack([windows.minutes, extra]), windows.moved, batches(len(windows)))
    if fit is None:
        return None
    y = windows.moved - extra @ fit.found[1:]
    agree = np.abs(y - windows.minutes * fit.found[0]) < 4.0 * fit.scale
    changed = _drift_changed(windows, y, agree)
    before, chosen, level = None, windows, y
    if changed is not None:
        earlier = np.arange(len(windows)) < changed[1]
        halves = [_beneath(y[h], windows.minutes[h], sizes, missed) for h in (earlier, ~earlier)]
        if halves[0] is not None and halves[1] is not None and _differ(halves[0], halves[1]):
            before, chosen, level = estimate_of(halves[0].fit, 0), windows.where(~earlier), y[~earlier]
        else:
            changed = None
    found = _beneath(level, chosen.minutes, sizes, missed)
    if found is None:
        return None
    end = estimate_of(found.fit, 0)
    if extra.shape[1]:
        # what the pressures' own part leaves unknown adds to the rate
        half = fit.half_width(0)
        end = Estimate(end.value, end.value - max(half, end.width), end.value + max(half, end.width))
    span = (int(chosen.begin[0]), int(chosen.end[-1]))
    moment = changed[0] if changed is not None else None
    part = Part(end, before, moment, span, float(np.sum(chosen.minutes)), len(chosen))
    return Quiet(part, found.still), _oil_slope(chosen)


def _differ(one: Beneath, other: Beneath) -> bool:
    """Whether two rates lie further apart than their errors."""
    spread = one.fit.covariance[0, 0] + other.fit.covariance[0, 0]
    return bool(abs(one.fit.found[0] - other.fit.found[0]) > SIGMAS * np.sqrt(spread))


def _beneath(moved: Floats, minutes: Floats, sizes: Sizes, missed: tuple[float, float]) -> Beneath | None:
    """The steady rate of the last windows, with the pulses taken out that were missed."""
    moved, minutes = moved[-_MOST_WINDOWS:], minutes[-_MOST_WINDOWS:]
    steps = Steps(sizes[0][0], sizes[1][0], sizes[0][1], sizes[1][1], missed)
    if not len(moved):
        return None
    found = rate_beneath(moved, minutes, steps, batches(len(moved)), float(np.median(moved / minutes)))
    return None if found is None or found.still < _STILL_SHARE else found


def _drift_changed(windows: Windows, y: Floats, agree: Mask) -> tuple[Moment, int] | None:
    rows = np.flatnonzero(agree)
    found = change_of_slope(windows.minutes[rows], y[rows])
    if found is None or found.strength < STRENGTH:
        return None
    at, low, high = (int(rows[k]) for k in (found.at, found.low, found.high))
    return Moment(int(windows.begin[at]), int(windows.begin[low]), int(windows.end[high])), at


def _oil_slope(windows: Windows) -> Estimate | None:
    """How the drift goes with the driving pressure, %/min per 100 kPa."""
    known = np.isfinite(windows.oil)
    part = windows.where(known)
    if not len(part) or float(np.std(part.oil)) < 10.0:  # noqa: PLR2004 - kPa: no range to be had
        return None
    offset = (part.oil - np.mean(part.oil)) / 100.0
    design = np.column_stack([part.minutes, part.minutes * offset, part.work])
    fit = bisquare_fit(design, part.moved, batches(len(part)))
    return None if fit is None else estimate_of(fit, 1)
