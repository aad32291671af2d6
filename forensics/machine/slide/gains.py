"""The slide by identification: gain to load, gain to unload and drift in hold, each with an interval.

One regression over the whole record: movement in each window on the minutes in which load and unload acted and on
time.
What is decided from it is said elsewhere; here are arrays in, estimates out, in % of travel per minute of command.

Two looks at the same record are held against each other. The *balance* (errors in variables) needs no pulse to be
seen singly and is right on average at any sampling that is not in step with the controller; *quiet* windows (weights
that redescend) are much sharper, where most windows hold no pulse at all, seen or missed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.slide.balance import if_answered, settled_balance
from forensics.machine.slide.estimates import DEAD_SHARE, LOAD, SHORTEST_S, UNLOAD, Estimate, Gains, Moment, Part, Sizes
from forensics.machine.slide.pulses import around_pulses, by_pulse, scaled, since_change, with_pulses
from forensics.machine.slide.quiet import Quiet, quiet_drift, without_pulse
from forensics.machine.slide.windows import Course, cut, independent_looks, size_of_pulse

_ANSWERS = 0.02  # of the usual gain, as seen around pulses: less may be noise or what neighbours did
_UNCOVERED_MIN = 10.0
_LATE_MIN = 60.0
_FEWEST_LATE = 8
_COVERED_SHARE = 0.1


def identify(course: Course) -> Gains:
    """Identify the slide from its course; without a reading while the motor ran, nothing of it is known."""
    if not len(course.t) or not len(course.first):
        return Gains(drift=None, load=None, unload=None, with_oil=None, settled=True, looks=(0.0, 0.0))
    sizes = (
        size_of_pulse(course, course.load, course.usual[0]),
        size_of_pulse(course, course.unload, course.usual[1]),
    )
    quiet, with_oil = quiet_drift(course, sizes)
    free, _ = settled_balance(course, sizes, None, None, frozenset())
    at_load = around_pulses(course, course.load, course.unload, 1.0)
    at_unload = around_pulses(course, course.unload, course.load, -1.0)
    answering = frozenset(
        which
        for which, part, usual in ((LOAD, at_load, course.usual[0]), (UNLOAD, at_unload, -course.usual[1]))
        if part is not None and part.end.turned(1.0 if which == LOAD else -1.0).low > _ANSWERS * usual
    )
    known = None if quiet is None else quiet.part
    until = None if quiet is None else _known_until(course, quiet)
    gains = free if known is None else settled_balance(course, sizes, known, until, answering)[0]
    if until is None:
        drift = _drift_of(None if free is None else if_answered(course, free), quiet)
    else:
        assert known is not None
        drift = _later_drift(course, sizes, known, until, (at_load, at_unload))
    looks = tuple(
        0.0 if p is None else independent_looks(p, course.first, course.last) for p in (course.load, course.unload)
    )
    steady = 0.0 if known is None else known.end.value
    load = scaled(gains.part(LOAD), course.load, looks[0]) if gains is not None else None
    unload = scaled(gains.part(UNLOAD), course.unload, looks[1]) if gains is not None else None
    return Gains(
        drift=drift,
        load=with_pulses(load, by_pulse(course, since_change(course.load, load), course.unload, steady, 1.0)),
        unload=with_pulses(unload, by_pulse(course, since_change(course.unload, unload), course.load, steady, -1.0)),
        with_oil=with_oil,
        settled=until is None,
        looks=(looks[0], looks[1]),
        load_at_pulses=at_load,
        unload_at_pulses=at_unload,
    )


def _known_until(course: Course, quiet: Quiet) -> int | None:
    """Until when quiet windows tell the drift, if commands went on for long after without one; else None.

    Where pulses came so close that no window was free of them, or held the slide at an end of travel, the drift may
    have become another.
    """
    windows = cut(course, max(60.0, 2.0 * course.interval_s), (0.0, 0.0))
    if not len(windows):
        return None
    free = without_pulse(course, windows)
    clear = free & ~windows.high & ~windows.low
    # from the end backwards: windows with commands count for an uncovered end, quiet ones against it
    score = np.cumsum((np.where(clear, -1.0 / _COVERED_SHARE, np.where(free, 0.0, 1.0)) * windows.minutes)[::-1])
    best = int(np.argmax(score))
    if score[best] < _UNCOVERED_MIN:
        return None
    until = int(windows.begin[len(windows) - 1 - best])
    return until if until > quiet.part.span_ns[0] else None


def _later_drift(
    course: Course, sizes: Sizes, known: Part, until_ns: int, near: tuple[Part | None, Part | None]
) -> Part | None:
    """The drift of the last hour since quiet windows ended: what the commands' gains do not account for.

    Gains come from before, or from what the slide does at each pulse, never from the same stretch: a controller that
    holds against a leak commands as much as it leaks, so that a fit to it finds neither. Where a command is not seen
    to answer now, its gain may be anything down to none.
    """
    healthy = replace(course, last=np.minimum(course.last, until_ns), first=np.minimum(course.first, until_ns))
    gains, _ = settled_balance(healthy, sizes, known, None, frozenset())
    late = replace(course, first=np.maximum(course.first, until_ns), last=np.maximum(course.last, until_ns))
    windows = cut(late, max(60.0, 4.0 * course.interval_s), (1.0, 1.0))
    windows = windows.where(~(windows.high | windows.low))
    left = np.cumsum(windows.minutes[::-1])[::-1]
    windows = windows.where(left <= _LATE_MIN)
    minutes = float(np.sum(windows.minutes))
    if len(windows) < _FEWEST_LATE or course.work:
        return None
    value, doubt = float(np.sum(windows.moved)) / minutes, 0.0
    low = high = 0.0
    for which, acted, error, pulses, at_pulses, usual in (
        (LOAD, windows.load, windows.load_error, course.load, near[0], course.usual[0]),
        (UNLOAD, windows.unload, windows.unload_error, course.unload, near[1], course.usual[1]),
    ):
        share = float(np.sum(acted)) / minutes
        if pulses is None or share <= 0.0:
            continue
        told = None if gains is None else gains.part(which)
        toward = float(np.sign(usual))
        shown = min(1.0, SHORTEST_S / pulses.interval_s) if pulses.sampled else 1.0
        rate = _healthy(None if told is None else told.end.turned(toward), abs(usual), shown).turned(toward)
        if at_pulses is not None and at_pulses.end.turned(toward).high < DEAD_SHARE * abs(usual):
            # it is seen to move nothing now
            rate = at_pulses.end
        value -= rate.value * share
        ends = [(rate.value - rate.low) * share, (rate.value - rate.high) * share]
        if at_pulses is None or at_pulses.end.turned(toward).low <= _ANSWERS * abs(usual):
            ends.append(rate.value * share)
        low, high = low + min(*ends, 0.0), high + max(*ends, 0.0)
        doubt += (rate.value * float(np.sqrt(np.sum(error))) / minutes) ** 2
    spread = float(np.std(windows.moved / windows.minutes)) / np.sqrt(len(windows))
    half = 2.0 * float(np.hypot(spread, np.sqrt(doubt)))
    end = Estimate(value, value + low - half, value + high + half)
    moment = Moment(until_ns, known.span_ns[0], int(windows.end[0]))
    return Part(end, known.end, moment, (int(windows.begin[0]), int(windows.end[-1])), minutes, len(windows))


def _healthy(told: Estimate | None, usual: float, shown: float) -> Estimate:
    """A healthy gain in its own sense: as measured, as far as that agrees with half to double of the profile's.

    ``shown`` is the least share of the time that a sample stands for in which the command acts.
    """
    low, high = usual / 2.0, usual * 2.0
    if told is None or told.value <= 0.0:
        return Estimate(usual, low, high)
    low *= shown
    if told.low > high or told.high < low:
        return told
    low, high = max(low, told.low), min(high, told.high)
    return Estimate(float(np.clip(told.value, low, high)), low, high)


def _drift_of(balance: Part | None, quiet: Quiet | None) -> Part | None:
    """The sharper answer where both agree; where they do not, an interval that holds both."""
    if quiet is None or balance is None:
        return balance if quiet is None else quiet.part
    part, other = quiet.part.end, balance.end
    apart = abs(part.value - other.value)
    if apart <= np.hypot(part.width, other.width) * 1.5 or not np.isfinite(other.width):
        return quiet.part
    hull = Estimate(part.value, min(part.low, other.low), max(part.high, other.high))
    return replace(quiet.part, end=hull)
