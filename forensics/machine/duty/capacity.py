"""What tells the capacity of the machine: its slide position, or the current in percent of rated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.duty.baseline import HIGH_SIDE, max_age_s
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.points import Samples
from forensics.model.vocabulary import Recorded, Role

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Times = NDArray[np.int64]
_FEWEST = 3


@dataclass(frozen=True)
class Capacity:
    """What tells the capacity: slide position in %, or amps in % of rated where no slide is logged."""

    point: Samples
    percent: float
    low_end: float
    high_end: float
    by_slide: bool

    def at(self, times: Times) -> Floats:
        """Capacity in % at or before each time; NaN where no reading is young enough."""
        return self.point.at(times, max_age_s(self.point)) * self.percent


@kept_with_owner
def capacity(subject: Subject) -> Capacity | None:
    """The point that tells the capacity; None where neither a slide nor amps with their rated value are there.

    Made once for a subject.
    """
    slide = subject.record.point(Role.SLIDE_POSITION)
    if slide is not None and len(slide.trusted) > 1:
        return Capacity(slide.trusted, 1.0, 0.0, 100.0, by_slide=True)
    amps, rated = subject.record.point(Role.MOTOR_AMPS), subject.machine.rated_load_amps
    if amps is None or rated is None or len(amps.trusted) <= 1:
        return None
    good = amps.trusted
    running = good.v[(good.v > 0.2 * rated) & (good.v < 1.3 * rated)] * 100.0 / rated
    if len(running) < 10:  # noqa: PLR2004 - no range to be had from a handful
        return None
    low, high = np.quantile(running, [0.03, 0.98])
    return Capacity(good, 100.0 / rated, float(low), float(high), by_slide=False)


def deadband(source: Capacity) -> float:
    """Smallest change, %, that a change log writes; 0 for logs that are sampled by time."""
    if source.point.origin.recorded is not Recorded.CHANGE or len(source.point) <= 10:  # noqa: PLR2004 - too few to tell
        return 0.0
    step = np.abs(np.diff(source.point.v)) * source.percent
    step = step[step > 0]
    return float(np.quantile(step, 0.1)) if len(step) else 0.0


def noise(source: Capacity, begin: Times, end: Times) -> float:
    """Noise of the capacity reading, %: its usual step, or the scatter about its running median in steps if larger.

    A current may be shaken by more than the slide: by contact of the rotors, by liquid, by the supply. ``begin`` and
    ``end`` are those of the steps, shape (n,) each, in time order.
    """
    step = np.abs(np.diff(source.point.v[:5000])) * source.percent
    usual = float(np.median(step)) + 0.2 if len(step) else 0.5
    if source.by_slide or not len(begin):
        return usual
    from scipy.ndimage import median_filter

    part = source.point.between(int(begin[0]), int(end[-1]))
    index = np.maximum(np.searchsorted(begin, part.t, side="right") - 1, 0)
    v = part.v[part.t < end[index]] * source.percent
    return usual if len(v) < _FEWEST else max(usual, float(np.std(v - median_filter(v, size=15, mode="nearest"))))


def lift(subject: Subject, times: Times) -> Floats:
    """Lift in kPa at each time; NaN where it is not logged."""
    suction = subject.record.point(Role.SUCTION_PRESSURE)
    high = next((p for p in (subject.record.point(r) for r in HIGH_SIDE) if p is not None), None)
    if suction is None or high is None:
        return np.full(len(times), np.nan)
    lift: Floats = high.at(times, max_age_s(high)) - suction.at(times, max_age_s(suction))
    return lift
