"""What is expected of this machine at a duty, and how far it left it: an estimate with an interval, never a refusal.

The expectation is fitted to the machine's own healthy running: of a long record its early part, so that a fault that
grew for weeks is not held against itself; of a record of one run the part before the last. A duty that was seen only
elsewhere widens the interval by the distance. Only readings of one machine are held against each other: those of the
case.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.duty.baseline import Blocks, Duties, cut_blocks
from forensics.machine.duty.frame import AlignedSamples, Floats, Mask
from forensics.machine.duty.taught import before_it_left
from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.stats.robust_fit import MAD_TO_SIGMA, Estimate, student_quantile
from forensics.stats.surface import Surface, fit_surface

_DUTY_UNKNOWN = "like duty is not known: lift (both pressures and the refrigerant's data) or capacity is not logged"
_FEW = 5
_FEWEST_STARTS = 3
_TWO_SIDED = 0.05
_MOST_OF_SHORT = 0.6
_LIKE_START_S = 60.0


@dataclass(frozen=True)
class Expected:
    """A reading beside what is expected of it, by blocks.

    Attributes
    ----------
    blocks
        The blocks, m of them.
    reading, duties, t_s, run
        Medians of the reading (m,), duties in rooms (m, d), times in s (m,) and runs (m,); NaN where not known.
    expected, error
        What is expected, and the standard error of one block's deviation, shape (m,).
    reference
        The blocks that it rests on, shape (m,).
    surface
        What was fitted; None where nothing could be.
    why_not
        Why there is no expectation; empty where there is.
    relative
        Deviations are shares of what is expected.
    """

    blocks: Blocks
    reading: Floats
    duties: Floats
    t_s: Floats
    run: NDArray[np.int64]
    expected: Floats
    error: Floats
    reference: Mask
    surface: Surface | None
    why_not: str
    relative: bool = False

    @property
    def deviation(self) -> Floats:
        """Reading less what is expected, shape (m,); its share of what is expected where that is asked."""
        return np.asarray((self.reading - self.expected) / self.scale)

    @property
    def scale(self) -> Floats:
        """What deviations are told in: 1, or what is expected; NaN where that is nothing, shape (m,)."""
        if not self.relative:
            return np.ones(len(self.reading))
        return np.asarray(np.where(self.expected > 0.0, self.expected, np.nan))

    @property
    def noise(self) -> float:
        """What is new in each block, in the unit of the deviation."""
        if self.surface is None:
            return float("nan")
        return self.surface.scatter.noise / (float(np.nanmedian(self.scale)) if self.relative else 1.0)

    def over(self, chosen: Mask, *, two_sided: float = 0.05) -> Estimate | None:
        """Mean deviation over chosen blocks with its interval; None where none of them can be judged."""
        at = np.flatnonzero(chosen & np.isfinite(self.deviation) & np.isfinite(self.error))
        if not len(at) or self.surface is None:
            return None
        found = self.surface.mean_deviation(*self._at(at), self.reading[at], two_sided=two_sided)
        # after a start the expectation carries what own earlier starts did, and their scatter
        scale = self.scale[at]
        value = float(np.mean(self.deviation[at]))
        plain = self.surface.expected(*self._at(at))[1] / scale
        more = float(np.mean(np.maximum(self.error[at] ** 2 - plain**2, 0.0)))
        error = float(np.sqrt((found.error / np.mean(scale)) ** 2 + more))
        wide = found.half_width / found.error * error if found.error > 0.0 else 0.0
        return Estimate(value, value - wide, value + wide, error, found.dof)

    def _at(self, at: NDArray[np.int64]) -> tuple[Floats, Floats, NDArray[np.int64]]:
        return self.duties[at], self.t_s[at], self.run[at]

    def fleeting_s(self) -> float:
        """For how long deviations of a sound machine last, s."""
        return 0.0 if self.surface is None or not self.surface.scatter.drift else self.surface.scatter.drift_s

    def left_ns(self, chosen: Mask, *, above: bool) -> int | None:
        """The moment from which chosen blocks stayed beyond their own scatter on one side, up to the last of them."""
        at = np.flatnonzero(chosen & np.isfinite(self.deviation))
        if not len(at):
            return None
        signed = self.deviation[at] if above else -self.deviation[at]
        inside = np.flatnonzero(signed < 2.0 * self.error[at])
        first = at[0] if not len(inside) else (at[inside[-1] + 1] if inside[-1] + 1 < len(at) else None)
        return None if first is None else int(self.blocks.frame.t[self.blocks.first[first]])


@dataclass(frozen=True, slots=True)
class Terms:
    """What a deviation is to mean.

    Attributes
    ----------
    effect
        The size that is called a fault, in the unit of the reading; a share where ``relative``.
    interval_s
        Sample interval of the slowest point behind the reading, s.
    step
        Step of the sensor, in the unit of the reading.
    slope
        How much a reading may change over one room of a duty where readings do not show it, as ``effect``; None: about
        a third of it.
    relative
        Deviations are shares of what is expected.
    learn
        Which samples may teach, shape (n,); None: all.
    """

    effect: float
    interval_s: float
    step: float = 0.0
    slope: float | None = None
    relative: bool = False
    learn: Mask | None = None


def expected_of(subject: Subject, frame: AlignedSamples, reading: Floats, duties: Duties, terms: Terms) -> Expected:
    """What is expected of a reading, fitted to the machine's own earlier running.

    Parameters
    ----------
    reading
        Over the frame, shape (n,).
    duties
        Each a quantity (n,), or None where another stands for it, and how far apart two readings of it are another
        duty. One that is NaN throughout leaves like duty unknown.
    """
    blocks = cut_blocks(frame, terms.interval_s)
    m = len(blocks.t)
    known = [(d, room) for d, room in duties if d is not None]
    mean = blocks.middle(reading)
    columns = [blocks.middle(d) / room for d, room in known]
    x = np.column_stack(columns) if columns else np.empty((m, 0))
    t_s = (blocks.t - subject.record.failure_ns) / NS
    run = frame.run[blocks.first]
    blank, none = np.full(m, np.nan), np.zeros(m, dtype=bool)

    def nothing(why_not: str) -> Expected:
        return Expected(
            blocks=blocks,
            reading=mean,
            duties=x,
            t_s=t_s,
            run=run,
            expected=blank,
            error=blank,
            reference=none,
            surface=None,
            why_not=why_not,
        )

    if any(not np.isfinite(column).any() for column in columns):
        return nothing(_DUTY_UNKNOWN)
    usable = np.isfinite(mean) & np.all(np.isfinite(x), axis=1)
    settled = blocks.all_of(frame.settled)
    teach = usable & settled & (True if terms.learn is None else blocks.all_of(terms.learn))
    reference = _reference(subject, blocks, teach)
    if reference is None:
        return nothing("too little settled running earlier to know what is expected")
    size = max(float(np.median(np.abs(mean[reference]))), 1e-9) if terms.relative else 1.0
    slope = None if terms.slope is None else terms.slope * size

    def taught_by(at: NDArray[np.int64]) -> Surface | None:
        return fit_surface(
            x[at], t_s[at], run[at], mean[at], effect=terms.effect * size, step=terms.step, unknown_slope=slope
        )

    at = np.flatnonzero(reference)
    far = subject.limits["duty.near_share"] * terms.effect * size
    least_s = subject.limits["duty.baseline_least"]
    at = before_it_left(at, (x, t_s, run, mean), blocks.seconds, taught_by, far=far, least_s=least_s)
    reference = np.zeros(m, dtype=bool)
    reference[at] = True
    surface = taught_by(at)
    if surface is None:
        return nothing("too little settled running earlier to know what is expected")
    expected, error = blank.copy(), blank.copy()
    asked = np.flatnonzero(usable)
    expected[asked], error[asked] = surface.expected(x[asked], t_s[asked], run[asked])
    _after_starts(blocks, mean, settled, expected, error, int(at[-1]))
    if terms.relative:
        error = error / np.where(expected > 0.0, expected, np.nan)
    return Expected(
        blocks=blocks,
        reading=mean,
        duties=x,
        t_s=t_s,
        run=run,
        expected=expected,
        error=error,
        reference=reference,
        surface=surface,
        why_not="",
        relative=terms.relative,
    )


def _reference(subject: Subject, blocks: Blocks, teach: Mask) -> Mask | None:
    """Blocks of healthy running that teach what is expected; None where there are too few of them.

    Running that ended an hour or more before the failure; else a quarter of an hour, in earlier runs; else the early
    part of the run that failed. Of long records the early part.
    """
    limits, frame = subject.limits, blocks.frame
    failing = np.asarray(frame.in_failing_run)[blocks.first] if len(blocks.t) else np.zeros(0, dtype=bool)
    before_s = (subject.record.failure_ns - blocks.t) / NS
    seconds = blocks.seconds
    least_s = limits["duty.baseline_least"]
    for chosen in (
        teach & (before_s > limits["duty.baseline_gap"]),
        teach & (before_s > limits["duty.baseline_gap_short"]) & ~failing,
        teach & (before_s > limits["duty.baseline_gap_short"]),
    ):
        ran_s = float(seconds[chosen].sum())
        if ran_s >= least_s and chosen.sum() >= _FEW:
            return _early(chosen, seconds, limits["duty.baseline_long"], limits["duty.baseline_share"])
    return None


def _early(chosen: Mask, seconds: Floats, long_s: float, share: float) -> Mask:
    """The early part of chosen blocks: a share of them, or ``long_s`` where that is more, but never all of many."""
    ran = np.cumsum(np.where(chosen, seconds, 0.0))
    most = max(share * ran[-1], min(long_s, _MOST_OF_SHORT * ran[-1]))
    early = np.asarray(chosen & (ran <= most))
    return early if early.sum() >= _FEW else chosen


def _after_starts(blocks: Blocks, mean: Floats, settled: Mask, expected: Floats, error: Floats, taught: int) -> None:
    """Let the minutes after a start be expected as after own starts up to block ``taught``; in place, NaN after few."""
    frame = blocks.frame
    early = np.flatnonzero(~settled)
    if not len(early):
        return
    failing = np.asarray(frame.in_failing_run)[blocks.first]
    since = frame.since_s[blocks.first]
    run = frame.run[blocks.first]
    left = mean - expected
    teach = np.flatnonzero(~settled & (np.arange(len(run)) <= taught) & np.isfinite(left) & np.isfinite(since))
    for k in early:
        like = teach[np.abs(since[teach] - since[k]) <= _LIKE_START_S] if np.isfinite(since[k]) else teach[:0]
        like = like[run[like] != run[k]]
        starts = len(np.unique(run[like]))
        if starts < _FEWEST_STARTS or (len(like) < _FEW and not failing[k]):
            expected[k], error[k] = np.nan, np.nan
            continue
        own = np.array([np.median(left[like][run[like] == one]) for one in np.unique(run[like])])
        usual = float(np.median(own))
        spread = MAD_TO_SIGMA * float(np.median(np.abs(left[like] - usual)))
        if starts < _FEW:
            spread = max(spread, float(np.std(own, ddof=1)))
        # of few starts neither their middle nor their scatter is well known
        few = student_quantile(starts - 1, _TWO_SIDED) / student_quantile(np.inf, _TWO_SIDED)
        spread *= few * float(np.sqrt(1.0 + 1.0 / starts))
        expected[k] += usual
        error[k] = float(np.hypot(error[k], spread))
