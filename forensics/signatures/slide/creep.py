"""Movement that goes on in most of the time between samples: a leak moves all the time, pulses only now and then.

Where commands are sampled, a train of short pulses may fall between the samples and move the capacity unseen. Such
pulses move it in a few of the steps between readings; a seat that leaks moves it in nearly all of them, while the
opposite command takes it back. The median step, with its interval by order statistics, tells the two apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.capacity import Capacity, Floats, Mask, Times
from forensics.machine.commanded import acting_seconds
from forensics.machine.commands import read_commands
from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.vocabulary import Recorded, Role

_Z95 = 1.959963984540054
_FEWEST = 60


@dataclass(frozen=True, slots=True)
class Creep:
    """The typical movement between readings before the failure.

    Attributes
    ----------
    rate, low, high
        % a minute towards load, with its 95 % interval.
    net
        % a minute by which the capacity moved on the whole, all commands included.
    restless
        % a minute by which the capacity moves in a middling step, whichever way: a slide that holds stands still.
    steps
        Number of steps between readings.
    span_ns
        Begin of the first and end of the last of them.
    """

    rate: float
    low: float
    high: float
    net: float
    restless: float
    steps: int
    span_ns: tuple[int, int]

    def undone(self, sign: float, share: float) -> bool:
        """Whether something takes back most of what creeps towards ``sign``: no slow change of load does that."""
        return sign * self.net < share * sign * self.rate


def creep_of(subject: Subject, source: Capacity) -> Creep | None:
    """Median step between readings in the last ``slide.drift_recent_min`` of settled running without a command shown.

    None where readings are written by change or are too few.
    """
    point = source.point
    if point.origin.recorded is Recorded.CHANGE or len(point) <= _FEWEST:
        return None
    begin, end = point.t[:-1], point.t[1:]
    length_s = (end - begin) / NS
    step = np.diff(point.v) * source.percent
    good = _settled(subject, begin, end) & (length_s <= 1.5 * point.interval_s) & (length_s > 0)
    left: Floats = np.cumsum(np.where(good, length_s, 0.0)[::-1])[::-1]
    good &= left <= 60.0 * subject.limits["slide.drift_recent_min"]
    whole = good.copy()
    commands = read_commands(subject.record, subject.profile)
    for role in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID):
        if role in commands:
            # what follows a pulse for a sample or two is its work as well
            slack = round(max(commands[role].interval_s, subject.limits["slide.settle_s"] / 2.0) * NS)
            acting = acting_seconds(commands[role], begin - slack, end)
            good &= ~(np.nan_to_num(acting) > 0.0)
    if int(good.sum()) < _FEWEST:
        return None
    ordered = np.sort(step[good] / (length_s[good] / 60.0))
    n = len(ordered)
    reach = 0.5 * _Z95 * np.sqrt(n)
    low, high = int(max(n / 2.0 - reach, 0.0)), int(min(n / 2.0 + reach, n - 1.0))
    net = float(np.sum(step[whole]) / (np.sum(length_s[whole]) / 60.0))
    restless = float(np.median(np.abs(ordered)))
    chosen = np.flatnonzero(good)
    span = (int(begin[chosen[0]]), int(end[chosen[-1]]))
    return Creep(
        float(np.median(ordered)),
        float(ordered[low]),
        float(ordered[high]),
        net,
        restless,
        n,
        span,
    )


def _settled(subject: Subject, begin: Times, end: Times) -> Mask:
    """Steps well inside a run: past the loading after the start, before the unloading of a stop, up to the failure."""
    settle, unload = (
        round(subject.limits[name] * NS) for name in ("duty.settle_after_start", "duty.settle_before_stop")
    )
    firsts = np.array([run.first_ns for run in subject.runs], dtype=np.int64) + settle
    lasts = np.array([run.last_ns for run in subject.runs], dtype=np.int64) - unload
    if not len(firsts):
        return np.zeros(len(begin), dtype=bool)
    which = np.searchsorted(firsts, begin, side="right") - 1
    inside = (which >= 0) & (end <= lasts[np.maximum(which, 0)])
    record = subject.record
    return np.asarray(inside & (begin >= record.window.start_ns) & (end <= record.failure_ns))
