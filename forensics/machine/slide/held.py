"""What the slide did while a command was held: the plainest test of a path, which every stop of most machines makes.

A held command moves the slide far in a few seconds, further than any leak takes back meanwhile, and whatever pulses
are missed between samples. What matters is its rate until it comes to its end, over the usual one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.slide.windows import Course, Pulses, Times, covered_s
from forensics.model.points import NS

_FINE_S = 2.5  # samples further apart make a train of pulses look like one held command, if polled in step with it
_FEWEST_SAMPLES = 5
_LEVEL_S = 20.0


@dataclass(frozen=True, slots=True)
class Needs:
    """What a held command must be to tell of its path.

    ``least_s`` of command, ``room`` to move and what a reading is good for (``sensor``) in %; ``stop_s`` is how long
    the sequence holds unload before a stop. A command that does not move the slide by its time (``by_time``) tells
    at such a stop alone.
    """

    least_s: float
    room: float
    sensor: float
    stop_s: float
    by_time: dict[int, bool]


@dataclass(frozen=True, slots=True)
class Held:
    """One held command: ns; s of command; % moved in its sense; its rate over the usual one, with the interval."""

    begin_ns: int
    end_ns: int
    seconds: float
    moved: float
    low: float
    high: float


def held_commands(
    course: Course, spans: tuple[Times, Times], stops: Times, needs: Needs
) -> dict[int, tuple[Held, ...]]:
    """Every held command of unload (-1) and of load (1), in time order.

    Parameters
    ----------
    spans
        Running in which the reading tells the position, the unloading at a start included, ns, shape (r,).
    stops
        When the motor was switched off in normal stops, at the earliest, ns: there the sequence holds unload.
    """
    pairs = ((1, course.load, course.unload), (-1, course.unload, course.load))
    return {
        sign: tuple(_of(course, spans, stops, needs, sign, pulses=pulses, other=other)) if pulses is not None else ()
        for sign, pulses, other in pairs
    }


def _of(
    course: Course,
    spans: tuple[Times, Times],
    stops: Times,
    needs: Needs,
    sign: int,
    pulses: Pulses,
    other: Pulses | None,
) -> list[Held]:
    found = []
    step_s = pulses.interval_s if pulses.sampled else 0.0
    # at a stop a few samples are enough: how little they tell is in the interval
    long = (pulses.end - pulses.begin) / NS >= max(
        needs.least_s, _FEWEST_SAMPLES * step_s if step_s <= _FINE_S else 0.0
    )
    for begin, end in zip(pulses.begin[long].tolist(), pulses.end[long].tolist(), strict=True):
        run = int(np.searchsorted(spans[1], begin, side="right"))
        if run >= len(spans[0]):
            continue
        certain_s = np.inf
        first, last = max(begin, int(spans[0][run])), min(end, int(spans[1][run]))
        if step_s > _FINE_S or not needs.by_time[sign]:
            at_stop = stops[(stops >= begin) & (stops <= end)]
            if not len(at_stop) or sign > 0 or needs.stop_s <= 0.0:
                continue
            last = min(last, int(at_stop[0]))
            certain_s = 2.0 * needs.stop_s  # before that it may have been pulses
        elif last - first < needs.least_s * NS:
            continue
        if other is not None and _acted(other, first, last):
            continue
        one = _measured(course, needs, sign, (step_s, certain_s), (first, last)) if last > first else None
        if one is not None:
            found.append(one)
    return found


def _acted(other: Pulses, first: int, last: int) -> bool:
    begin, end = np.array([first], dtype=np.int64), np.array([last], dtype=np.int64)
    return bool(covered_s((other.begin, other.end), begin, end)[0] > 0)


def _measured(
    course: Course, needs: Needs, sign: int, known_s: tuple[float, float], span: tuple[int, int]
) -> Held | None:
    """The movement of one held command; None where there was too little room to tell anything.

    ``known_s`` is the spacing of the command's samples and the time for which it was held for certain.
    """
    (first, last), (step_s, certain_s) = span, known_s
    seconds = (last - first) / NS
    before, after = _level(course, first, first=True), _level(course, last, first=False)
    if before is None or after is None:
        return None
    room = sign * ((course.high_end if sign > 0 else course.low_end) - before[0]) - 2.0 * course.margin
    if not np.isfinite(room) or room < needs.room:
        return None
    usual = abs(course.usual[0 if sign > 0 else 1]) / 60.0
    # at its end a slide waits: only the time until it came there counts
    part = slice(*np.searchsorted(course.t, [first, last + 1]))
    arrived = np.flatnonzero(sign * (course.v[part] - before[0]) >= room)
    if len(arrived):
        last = int(course.t[part][arrived[0]])
        after = float(course.v[part][arrived[0]]), before[1]
    moving_s = (last - first) / NS
    moved = sign * (after[0] - before[0])
    error = float(np.hypot(before[1], after[1])) + needs.sensor
    slack_s = step_s + course.lag_s + (0.0 if course.by_change else course.interval_s)
    least = usual * max(min(moving_s, certain_s) - slack_s, 0.0)
    low = (moved - error) / (usual * (moving_s + step_s))
    return Held(first, last, seconds, moved, low, max((moved + error) / least, low) if least > 0.0 else np.inf)


def _level(course: Course, at_ns: int, *, first: bool) -> tuple[float, float] | None:
    """Level at a moment and twice its standard error, %: the last reading of a slide, the mean of some of a current."""
    index = int(np.searchsorted(course.t, at_ns, side="right"))
    young_s = 600.0 if course.by_change else 2.0 * course.interval_s + 1.0
    if index == 0 or (at_ns - course.t[index - 1]) / NS > young_s:
        return None
    if not course.work:
        return float(course.v[index - 1]), 0.0
    since = at_ns - round((_LEVEL_S if first else max(3.0, 1.5 * course.interval_s)) * NS)
    low = min(int(np.searchsorted(course.t, since)), index - 1)
    part, around = course.v[low:index], course.v[max(index - 40, 0) : index]
    step = np.abs(np.diff(around))
    scatter = 1.4826 * float(np.median(step)) / np.sqrt(2.0) if len(step) else course.margin
    return float(np.median(part)), 2.0 * max(scatter, 0.5) / np.sqrt(len(part))
