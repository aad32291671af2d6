"""What the slide did at single pulses, and how far few of them tell a gain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import gammaincinv, stdtrit

from forensics.machine.slide.estimates import (
    LONGEST_S,
    SHORTEST_S,
    SHORTEST_SCAN_S,
    STRENGTH,
    Estimate,
    Floats,
    Moment,
    Part,
)
from forensics.machine.slide.windows import Course, Pulses, at, moved_alone
from forensics.model.points import NS
from forensics.stats.change import change_of_slope

_FINE_S = 1.2
_SMEARED = (
    0.3  # of a pulse's movement, seen within half the way to its neighbours (a lag of two seconds, pulses 6 s apart)
)
_LAST_PULSES = 40  # what a command does now is told by its last ones
_FEWEST_PULSES = 8


def around_pulses(course: Course, pulses: Pulses | None, other: Pulses | None, sign: float) -> Part | None:
    """A gain from the second difference of the slide about each of the last pulses, so that no drift enters.

    The seconds after a pulse begins are held against those before, no longer than half the way to its neighbours. What
    the lag of slide and sensor smears out is in the upper bound.
    """
    if pulses is None or len(pulses.begin) < _FEWEST_PULSES or pulses.interval_s > _FINE_S:
        return None
    if not course.by_change and course.interval_s > _FINE_S:
        return None
    begins = [p.begin for p in (pulses, other) if p is not None]
    every = np.sort(np.concatenate(begins))
    place = np.searchsorted(every, pulses.begin)
    gap = np.minimum(
        np.diff(np.append(every, every[-1] + 3600 * NS))[place],
        np.diff(np.concatenate((every[:1] - 3600 * NS, every)))[place],
    )
    reach = np.minimum(round(course.lag_s * NS), gap // 2)
    start = pulses.begin - round(pulses.interval_s * NS) // 2
    run = np.searchsorted(course.first, start - reach, side="right") - 1
    good = (run >= 0) & (start + reach <= course.last[np.maximum(run, 0)]) & (reach >= 2 * round(_FINE_S * NS))
    source = course.t, course.v
    first, middle, last = (at(source, start + k * reach) for k in (-1, 0, 1))
    room = middle < course.high_end - 2 * course.margin if sign > 0 else middle > course.low_end + 2 * course.margin
    good &= room & np.isfinite(first)
    moved = sign * (last - 2.0 * middle + first)[good][-_LAST_PULSES:]
    begin, end = pulses.begin[good][-_LAST_PULSES:], pulses.end[good][-_LAST_PULSES:]
    acted_s = np.minimum(end - begin, reach[good][-_LAST_PULSES:]) / NS
    if len(moved) < _FEWEST_PULSES:
        return None
    found = change_of_slope(np.ones(len(moved)), moved)
    late = slice(0, None)
    if found is not None and found.strength > STRENGTH and len(moved) - found.at >= _FEWEST_PULSES:
        late = slice(found.at, None)
    # of a command that was held, only what it moved within reach is looked at
    width_s = float(np.mean(acted_s[late]))
    mean = float(np.mean(moved[late]))
    count = len(moved[late])
    half = float(stdtrit(count - 1, 0.975)) * float(np.std(moved[late], ddof=1)) / np.sqrt(count)
    # the very last may say otherwise than those before, too few to make a change
    lowest = min(mean - half, float(np.mean(moved[-_FEWEST_PULSES:])) - half)
    low, high = 60.0 * lowest / width_s, 60.0 * (mean + half) / width_s
    estimate = Estimate(60.0 * mean / width_s, min(low, low / _SMEARED), max(high, high / _SMEARED)).turned(sign)
    span = (int(begin[late][0]), int(end[-1]))
    return Part(estimate, None, None, span, width_s * count / 60.0, count)


def by_pulse(course: Course, pulses: Pulses | None, other: Pulses | None, drift: float, sign: float) -> Part | None:
    """A gain from what pulses that stand alone move: how long each acted is known only to the widths that are usual.

    Samples too far apart to share out a command's time still show a pulse, and what the slide did at it. They do not
    show that it stood alone: of a train, each scan of the controller may have given another that was missed.
    """
    if pulses is None or not len(pulses.begin):
        return None
    begin, moved, own = moved_alone(course, pulses, other, drift)
    ends = begin + round(pulses.interval_s * NS)
    level = at((course.t, course.v), begin)
    room = level < course.high_end - 2 * course.margin if sign > 0 else level > course.low_end + 2 * course.margin
    chosen = own & room
    begin, ends, moved = begin[chosen], ends[chosen], sign * moved[chosen]
    if len(begin) < _FEWEST_PULSES:
        return None
    looked_s = course.lag_s + 2.0 * pulses.interval_s + 3.0 * course.interval_s
    missed = pulses.sampled and pulses.interval_s > LONGEST_S
    longest_s = LONGEST_S * max(1.0, looked_s / SHORTEST_SCAN_S) if missed else LONGEST_S
    found = change_of_slope(np.ones(len(moved)), moved)
    before, moment, late = None, None, slice(0, None)
    if found is not None and found.strength > STRENGTH and min(found.at, len(moved) - found.at) >= _FEWEST_PULSES:
        before, late = _per_minute(moved[: found.at], sign, longest_s), slice(found.at, None)
        moment = Moment(int(begin[found.at]), int(begin[found.low]), int(ends[found.high]))
    minutes = float(np.sum(pulses.end - pulses.begin)) / NS / 60.0 * len(moved[late]) / len(pulses.begin)
    span = (int(begin[late][0]), int(ends[-1]))
    return Part(_per_minute(moved[late], sign, longest_s), before, moment, span, minutes, len(moved[late]))


def since_change(pulses: Pulses | None, part: Part | None) -> Pulses | None:
    """The spells after a change that the balance found."""
    if pulses is None or part is None or part.changed is None:
        return pulses
    later = pulses.begin >= part.changed.at_ns
    return replace(pulses, begin=pulses.begin[later], end=pulses.end[later])


def with_pulses(balance: Part | None, pulses: Part | None) -> Part | None:
    """The balance's gain, or that at pulses that stand alone; both where they contradict each other."""
    if balance is None or pulses is None:
        return balance or pulses
    one, other = balance.end, pulses.end
    if one.low <= other.high and other.low <= one.high:
        return balance
    return replace(balance, end=Estimate(one.value, min(one.low, other.low), max(one.high, other.high)))


def _per_minute(moved: Floats, sign: float, longest_s: float) -> Estimate:
    """Rate from the mean movement at a pulse, in its sense, for a command of the shortest pulse up to some time."""
    half = float(stdtrit(len(moved) - 1, 0.975)) * float(np.std(moved, ddof=1)) / np.sqrt(len(moved))
    mean = float(np.mean(moved))
    low, high = mean - half, mean + half
    ends = [60.0 * m / w for m in (low, high) for w in (SHORTEST_S, longest_s)]
    return Estimate(60.0 * mean, min(ends), max(ends)).turned(sign)


def scaled(part: Part | None, pulses: Pulses | None, looks: float) -> Part | None:
    """A gain with its interval widened where few independent looks tell how long the command acted in truth."""
    if part is None or pulses is None or not pulses.sampled:
        return part
    single = pulses.single
    if not single.any() or looks <= 0 or float(single.mean()) < 0.3:  # noqa: PLR2004
        return part
    # every spell seen holds one pulse of the shortest width at least
    least = max(float(gammaincinv(looks, 0.025)) / looks, SHORTEST_S / pulses.interval_s)
    most = float(gammaincinv(looks + 1, 0.975)) / looks
    ends = [end / scale for end in (part.end.low, part.end.high) for scale in (least, most)]
    return replace(part, end=Estimate(part.end.value, min(ends), max(ends)))
