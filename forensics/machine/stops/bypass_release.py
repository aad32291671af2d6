"""Whether and when the internal unloading valve opened at a stop, from the difference across the rotors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forensics.machine.commands import Command
from forensics.machine.states import Run
from forensics.machine.stops.coastdown_model import conductance, seconds_to_fall
from forensics.machine.stops.rotor_pressure import Difference
from forensics.machine.subject import Subject
from forensics.model.findings import Bounds
from forensics.model.points import NS, OFF, middle
from forensics.model.vocabulary import Answer, Role
from forensics.rules import Limits

NO_LIFT = "lift before the stop: too little to read"
NO_BYPASS = "this machine has no internal unloading valve"
LEAK_ALIKE = "the difference was held, but gas that runs back through the check valve holds it, too"
_HELD = 0.8
_EMPTY = 0.3
_FED = 0.8
_NOISE_KPA = 10.0
_LEAST_STEPS = 2


@dataclass(frozen=True, slots=True)
class Collapse:
    """How the difference across the rotors went after a stop.

    Attributes
    ----------
    lift_kpa
        Before the stop sequence.
    at_stop_kpa
        At the end of current.
    share_released
        Share of the lift left a few seconds after the unloading valve was due to open; NaN where not sampled.
    least_released
        The least of the same share, NaN where the later half of these seconds is not sampled: a valve that opened late
        holds at first, and not through them.
    early_share
        Most of the lift that was read in the first seconds after the valve was due; NaN where nothing was.
    ran_on
        The motor still ran when the valve was due to open, and fed the discharge side.
    begin_ns
        When the valve was due to open.
    pressure_ratio
        Discharge over suction pressure before the stop sequence; NaN where suction is not known.
    """

    lift_kpa: float
    at_stop_kpa: float
    share_released: float
    least_released: float
    early_share: float
    samples: int
    ran_on: bool
    begin_ns: int
    pressure_ratio: float = float("nan")


def release_ns(run: Run, commands: Mapping[Role, Command], limits: Limits) -> int | None:
    """When the command released the unloading valve for a stop, ns UTC; None where that is not logged."""
    command = commands.get(Role.BYPASS_SOLENOID)
    if command is None:
        return None
    earliest = max(run.first_ns, run.last_ns - round(limits["states.stop_longest_s"] * NS))
    edges = [e for e in command.edges(earliest, run.last_ns + 60 * NS) if e.to == OFF]
    return edges[-1].latest_ns if edges else None


def collapse(
    subject: Subject, run: Run, released_ns: int | None, following_ns: int, rotors: Difference | None
) -> Collapse | None:
    """Course of the difference across the rotors after a stop; None where it is not logged."""
    if rotors is None or run.end is None:
        return None
    limits = subject.limits
    begin = min(run.last_ns, released_ns or run.last_ns)
    lift = _lift_before(rotors, begin, run, known=released_ns is not None)
    at_stop = rotors.last_before(run.end.earliest_ns, max(2.0, rotors.interval_s))
    if lift is None or at_stop is None or lift <= 0.0:
        return None
    from_ns, to_ns = round(limits["coastdown.held_from_s"] * NS), round(limits["coastdown.held_to_s"] * NS)
    _, early = rotors.between(begin + NS, min(begin + from_ns, following_ns))
    _, due = rotors.between(begin + from_ns, min(begin + to_ns, following_ns))
    # held is held through these seconds: a sample at their begin alone may come before a late release
    t, held = rotors.between(begin + from_ns, min(begin + 2 * to_ns - from_ns, following_ns))
    later = np.flatnonzero(t >= begin + (from_ns + to_ns) // 2)
    through = later[0] + 1 if len(later) else 0
    return Collapse(
        lift_kpa=lift,
        at_stop_kpa=at_stop,
        share_released=middle(due) / lift if len(due) else float("nan"),
        least_released=float(np.min(held[:through])) / lift if through else float("nan"),
        early_share=float(np.max(early)) / lift if len(early) else float("nan"),
        samples=len(due),
        ran_on=begin + to_ns <= run.last_ns,
        begin_ns=begin,
        pressure_ratio=_pressure_ratio(lift, float(rotors.lower.at(np.array([begin - NS], np.int64))[0])),
    )


def _pressure_ratio(lift_kpa: float, suction_kpa: float) -> float:
    """Ratio of absolute pressures across the rotors; NaN where suction is not known or is no absolute pressure."""
    return 1.0 + lift_kpa / suction_kpa if np.isfinite(suction_kpa) and suction_kpa > 0.0 else float("nan")


def _lift_before(rotors: Difference, begin: int, run: Run, *, known: bool) -> float | None:
    if known:
        return rotors.last_before(begin - NS, max(10.0, 2 * rotors.interval_s))
    # where the release is not logged it may lie tens of seconds before the stop: the largest of the last minutes
    _, values = rotors.between(max(run.first_ns, begin - 180 * NS), begin)
    return float(np.quantile(values, 0.9)) if len(values) else None


def judge_release(
    course: Collapse, interval_s: float, limits: Limits, *, tight: bool, from_load: bool, full_slide: bool = False
) -> tuple[Answer, str]:
    """Decide whether the unloading valve opened.

    Held is held through the seconds in which an open valve empties the discharge side, with the check valve shown tight
    and the high side's own fall as usual: gas that runs back holds the difference, too.

    Parameters
    ----------
    tight
        The check valve was shown to hold, and the high side did not fall faster than it should.
    from_load
        The rotors may have stopped within a second or two, and what was lost after that passed them.
    full_slide
        The slide is fixed: whatever the load, the rotors turn back with their whole swept volume and empty the
        discharge side nearly as fast as the valve does. Only a side that is empty at the first reading shows the valve.
    """
    if course.lift_kpa < limits["coastdown.least_lift_kpa"]:
        return Answer.CANNOT_TELL, f"only {course.lift_kpa:.0f} kPa of {NO_LIFT}"
    if interval_s > limits["coastdown.fast_interval_s"] + 1e-6:
        return Answer.CANNOT_TELL, f"pressures every {interval_s:g} s: the hold of a few seconds needs 2 s or faster"
    if course.at_stop_kpa < limits["coastdown.equal_share"] * course.lift_kpa:
        return Answer.YES, ""
    if np.isnan(course.share_released):
        return Answer.CANNOT_TELL, "no samples 2.5 to 5 s after the stop"
    share = course.share_released
    if course.least_released > limits["coastdown.running_held_share" if course.ran_on else "coastdown.held_share"]:
        return (Answer.NO, "") if tight else (Answer.CANNOT_TELL, LEAK_ALIKE)
    if share < limits["coastdown.running_released_share" if course.ran_on else "coastdown.released_share"]:
        if (from_load and course.early_share > _HELD) or (full_slide and course.early_share > _EMPTY):
            return Answer.CANNOT_TELL, "the difference went within seconds, as it does past rotors stopped from load"
        return Answer.YES, ""
    words = "neither held nor let through"
    return Answer.CANNOT_TELL, f"{100 * share:.0f} % of the lift left after 2.5 to 5 s: {words}"


def own_conductance(courses: Sequence[tuple[Collapse, Difference, int]]) -> float | None:
    """The least conductance of the machine's own open valve, 1/s, by the fall between two readings of each stop.

    The valve may open at any time between them, so it is no smaller than any of these: the largest stands. None
    where no stop shows it.
    """
    found = []
    for course, rotors, following_ns in courses:
        step = _first_fall(course, rotors, following_ns)
        if step is not None:
            t, v, low = step
            levels = low + np.maximum(v, 0.0)
            found.append(float(conductance(levels[0], levels[1], np.asarray(low), np.asarray((t[1] - t[0]) / NS))))
    return max(found) if found else None


def opened(course: Collapse, rotors: Difference, following_ns: int, off_ns: int, own: float | None) -> Bounds | None:
    """When the valve opened, s after the end of current (negative: before it), as an interval.

    Not before the last reading that was held; nor so long before the first that was lost that the own valve would have
    let more through by then.
    """
    step = _first_fall(course, rotors, following_ns)
    if step is None:
        return None
    t, v, low = step
    earliest, latest = int(t[0]), int(t[1])
    if own:
        full, left = np.asarray(low + course.lift_kpa), np.asarray(low + max(float(v[1]), 0.0))
        fall_s = float(seconds_to_fall(full, left, np.asarray(low), np.asarray(own)))
        earliest = max(earliest, latest - round(fall_s * NS))
    return Bounds(None, (earliest - off_ns) / NS, (latest - off_ns) / NS)


def _first_fall(course: Collapse, rotors: Difference, following_ns: int) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Times and differences of the last reading held and the first one lost, and suction there."""
    t, v = rotors.between(course.begin_ns - round(10.0 * NS), min(course.begin_ns + 60 * NS, following_ns))
    lost = np.flatnonzero((v < 0.5 * course.lift_kpa) & (t >= course.begin_ns - NS))
    if not len(lost) or lost[0] == 0:
        return None
    held = np.flatnonzero(v[: lost[0]] >= _HELD * course.lift_kpa)
    if not len(held):
        return None
    pick = np.array([held[-1], lost[0]])
    low = float(rotors.lower.at(t[pick[1:]])[0])
    return (t[pick], v[pick], low) if np.isfinite(low) and low > 0.0 else None


@dataclass(frozen=True, slots=True)
class Emptying:
    """How a discharge side emptied whose valve was held shut.

    Attributes
    ----------
    stayed_shut
        It emptied far slower than through the machine's own valve.
    grew
        The way out grew wider while it emptied, as it does past rotors that gather speed: valves and clearances are
        orifices that stay as they are.
    """

    stayed_shut: bool = False
    grew: bool = False


def emptying(
    at_stop_kpa: float, off_ns: int, following_ns: int, rotors: Difference, own: float | None, limits: Limits
) -> Emptying:
    """Read how the difference was lost, from the readings between full and nearly empty.

    The first of them is left out for growth: what opens between two readings shows there as half open.

    Parameters
    ----------
    own
        Conductance of the machine's own open valve, 1/s; infinite on a machine without one, None where not known.
    """
    end = min(following_ns, off_ns + round(limits["coastdown.lost_after_s"] * NS))
    t, v = rotors.between(off_ns, end)
    inside = np.flatnonzero((v < limits["coastdown.full_share"] * at_stop_kpa) & (v > _EMPTY * at_stop_kpa))
    if own is None or not len(inside) or inside[0] == 0:
        return Emptying()
    broken = np.flatnonzero(np.diff(inside) > 1)
    inside = inside[: broken[0] + 1] if len(broken) else inside
    steps = np.append(inside, inside[-1] + 1) if inside[-1] + 1 < len(v) else inside
    low = rotors.lower.at(t[steps])
    levels = low + np.maximum(v[steps], 0.0)
    wide = conductance(levels[:-1], levels[1:], low[1:], np.diff(t[steps]) / NS)
    if len(wide) < _LEAST_STEPS or not np.isfinite(wide).all():
        return Emptying()
    inner = wide[: len(inside) - 1]
    shut = bool(inner.max() < limits["coastdown.shut_outflow"] * own)
    grew = (
        len(inner) >= _LEAST_STEPS and inner[0] > 0.0 and inner.max() >= limits["coastdown.outflow_growth"] * inner[0]
    )
    return Emptying(shut, bool(shut and grew))


def forward_until_s(
    stop_ns: tuple[int, int], following_ns: int, rotors: Difference, late_kpa: float, own: float | None
) -> float:
    """Until when rotors certainly fed the discharge side after its valve opened, s after the earliest end of current.

    Through one opening the discharge side empties at one conductance; where that seems to shrink, something feeds it,
    and with a tight check valve that is the rotors, turning forward. 0 where no reading shows it.

    Parameters
    ----------
    stop_ns
        Earliest and latest end of current.
    late_kpa
        What stays for good, sensors' error included: readings near it show nothing.
    own
        Least conductance of the machine's own open valve, 1/s; None where it is not known.
    """
    earliest, latest = stop_ns
    # the reading before the end of current is taken, too: the fall from it is the fastest, and no faster than the truth
    t, v = rotors.between(earliest - round(rotors.interval_s * NS), min(following_ns, latest + 20 * NS))
    least = late_kpa + _NOISE_KPA
    enough = np.flatnonzero(v <= least)
    if len(enough):
        t, v = t[: enough[0]], v[: enough[0]]
    if len(v) < _LEAST_STEPS + 1:
        return 0.0
    low = rotors.lower.at(t)
    left = np.maximum(v - late_kpa, 1e-3)
    wide = conductance(low[:-1] + left[:-1], low[1:] + left[1:], low[1:], np.diff(t) / NS)
    widest = np.maximum.accumulate(np.maximum(np.where(np.isfinite(wide), wide, 0.0), own or 0.0))
    fed = np.flatnonzero((wide[1:] < _FED * widest[:-1]) & (wide[1:] > 0.0) & (v[1:-1] < _HELD * v[0])) + 1
    if not len(fed):
        return 0.0
    return float((int(t[fed[-1]]) + int(t[fed[-1] + 1])) / 2 - earliest) / NS
