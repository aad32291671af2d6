"""A reading against what is expected of this machine at like duty: outcome from estimate, interval and limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.duty.baseline import Duties
from forensics.machine.duty.expected import Expected, Terms, expected_of
from forensics.machine.duty.frame import AlignedSamples, Floats, Mask
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.finding import Seen, Value, cannot_tell, downgrade, make_finding
from forensics.signatures.core.limits_and_baseline import ThresholdTest, named_by_trip, uncovered
from forensics.stats.robust_fit import Estimate, student_quantile

_FEW_VALUES = 300
_MANY_CHANGES = 20
_FINE_S = 10.0
_CHANCE = 0.05
_KEEP_DAYS = "keep some days of running before the event"

Index = NDArray[np.int64]


def expect(
    subject: Subject,
    frame: AlignedSamples,
    look: ThresholdTest,
    duties: Duties,
    *,
    learn: Mask | None = None,
    slope: float | None = None,
) -> Expected:
    """What is expected of the reading that a check looks at; the limit of the check is the effect that matters."""
    given = subject.limits[look.limit_name]
    effect = abs(given - 1.0) if look.ratio else abs(given)
    interval_s = frame.interval_s(*look.groups)
    terms = Terms(effect, interval_s, _step(look.reading), slope, look.ratio, learn)
    return expected_of(subject, frame, look.reading, duties, terms)


def _step(reading: Floats) -> float:
    """Step of a reading that takes few values and changes often between them; 0 where it takes many."""
    known = reading[np.isfinite(reading)]
    changes = np.abs(np.diff(known))
    changes = changes[changes > 0.0]
    if len(changes) < _MANY_CHANGES or len(np.unique(known)) > _FEW_VALUES:
        return 0.0
    return float(np.percentile(changes, 10.0))


@dataclass(frozen=True)
class _Windows:
    """Stretches of ``lasting``, one ending at each judged block: mean deviation towards the limit, and its error.

    ``begin`` and ``end`` are blocks, both included, shape (w,).
    """

    begin: Index
    end: Index
    toward: Floats
    error: Floats
    count: float


def _windows(expected: Expected, chosen: Mask, lasting_s: float, sign: float) -> _Windows:
    blocks = expected.blocks
    at = np.flatnonzero(chosen)
    k = max(1, int(np.ceil(lasting_s / blocks.width_s)))
    run = expected.run[at]
    k = min(k, max(1, int(np.max(np.bincount(np.searchsorted(np.unique(run), run))))))
    total = np.concatenate(([0.0], np.cumsum(sign * expected.deviation[at])))
    squares = np.concatenate(([0.0], np.cumsum(expected.error[at] ** 2)))
    last = np.arange(k - 1, len(at))
    last = last[run[last] == run[last - k + 1]]
    variance = (squares[last + 1] - squares[last - k + 1]) / k - expected.noise**2 * (1.0 - 1.0 / k)
    toward = (total[last + 1] - total[last - k + 1]) / k
    span_s = max(k * blocks.width_s, expected.fleeting_s())
    count = max(1.0, float(blocks.seconds[at].sum()) / span_s)
    return _Windows(at[last - k + 1], at[last], toward, np.sqrt(np.maximum(variance, 0.0)), count)


def against_own(
    subject: Subject,
    frame: AlignedSamples,
    look: ThresholdTest,
    expected: Expected,
    usable: Mask | None = None,
    *,
    whole: Expected | None = None,
) -> Finding:
    """Judge whether a reading left what is expected at like duty by more than a limit.

    Present where the interval lies beyond the limit: over the stretch before the failure, or over any other, with the
    number of stretches allowed for. Absent where the interval before the failure ends short of it, the deviation is no
    growing part of it, and the trip's own text does not name it. Else cannot-tell.

    Parameters
    ----------
    usable
        Samples to judge, shape (n,); None: settled running, and where the run that failed did not last until it
        settled, that run against the minutes after own starts.
    whole
        The same quantity before what explains part of it was taken off: told beside the finding.
    """
    if expected.why_not or expected.surface is None:
        return cannot_tell(look.check, expected.why_not, unlocked_by=_KEEP_DAYS)
    blocks = expected.blocks
    given = subject.limits[look.limit_name]
    limit = abs(given - 1.0) if look.ratio else abs(given)
    sign = 1.0 if look.above else -1.0
    told = ~expected.reference & np.isfinite(expected.deviation) & np.isfinite(expected.error)
    told &= blocks.all_of(frame.judged)
    chosen = blocks.all_of(frame.settled if usable is None else usable) & told
    failed = blocks.all_of(np.asarray(frame.in_failing_run)) & told
    if usable is None and not (chosen & failed).any():
        chosen |= failed
    if not chosen.any():
        return cannot_tell(look.check, f"no settled running with {look.words} in the window")
    interval_s = frame.interval_s(*look.groups)
    named = named_by_trip(subject, look)
    lasting_s = subject.limits[look.lasting]
    if named:
        lasting_s = min(lasting_s, max(2.0 * interval_s, _FINE_S))
    windows = _windows(expected, chosen, lasting_s, sign)
    case = _Case(
        subject=subject,
        frame=frame,
        look=look,
        expected=expected,
        chosen=chosen,
        windows=windows,
        limit=limit,
        sign=sign,
        named=named,
        whole=whole,
    )
    found = case.beyond()
    return case.present(found) if found is not None else case.short_of_limit()


@dataclass(frozen=True)
class _Case:
    """One judgement on its way: what is held against what."""

    subject: Subject
    frame: AlignedSamples
    look: ThresholdTest
    expected: Expected
    chosen: Mask
    windows: _Windows
    limit: float
    sign: float
    named: bool
    whole: Expected | None

    def _of_end(self) -> int | None:
        """The stretch before the failure; None where the run that failed has none."""
        w = self.windows
        inside = np.flatnonzero((self.expected.run[w.end] == self.frame.failing) & (self.frame.failing >= 0))
        return int(inside[-1]) if len(inside) else None

    def _mask(self, k: int) -> Mask:
        out = np.zeros(len(self.chosen), dtype=bool)
        out[self.windows.begin[k] : self.windows.end[k] + 1] = True
        return out & self.chosen

    def beyond(self) -> tuple[Mask, Estimate] | None:
        """The stretch that lies beyond the limit with its whole interval, the run that failed first."""
        w, surface = self.windows, self.expected.surface
        assert surface is not None
        end = self._of_end()
        if end is not None:
            mask = self._mask(end)
            estimate = self.expected.over(mask)
            if estimate is not None and self._low(estimate) > self.limit:
                return self._widened(mask, estimate)
        many = student_quantile(surface.dof, _CHANCE / w.count)
        over = np.flatnonzero(w.toward - many * w.error > self.limit)
        if not len(over):
            return None
        failing = over[self.expected.run[w.end[over]] == self.frame.failing]
        k = int(failing[-1]) if len(failing) else int(over[np.argmax(w.toward[over])])
        mask = self._mask(k)
        estimate = self.expected.over(mask)
        return None if estimate is None or self._low(estimate) <= self.limit else self._widened(mask, estimate)

    def _low(self, estimate: Estimate) -> float:
        return estimate.low if self.sign > 0 else -estimate.high

    def _high(self, estimate: Estimate) -> float:
        return estimate.high if self.sign > 0 else -estimate.low

    def _widened(self, mask: Mask, estimate: Estimate) -> tuple[Mask, Estimate]:
        """The stretch drawn out over its neighbours that lie beyond the limit as well."""
        at = np.flatnonzero(self.chosen & (self.expected.run == self.expected.run[np.flatnonzero(mask)[-1]]))
        over = self.sign * self.expected.deviation[at] > self.limit
        inside = np.flatnonzero(mask[at])
        first, last = int(inside[0]), int(inside[-1])
        while first > 0 and over[first - 1]:
            first -= 1
        while last + 1 < len(at) and over[last + 1]:
            last += 1
        wide = np.zeros(len(mask), dtype=bool)
        wide[at[first : last + 1]] = True
        # the number is that of the stretch itself: a rise is told as high as it stood, not as on its way
        return wide, estimate

    def present(self, found: tuple[Mask, Estimate]) -> Finding:
        mask, estimate = found
        return self._finding(Outcome.PRESENT, mask, estimate)

    def short_of_limit(self) -> Finding:
        """Absent, or cannot-tell with the reason."""
        end = self._of_end()
        whole = np.flatnonzero(self.chosen)
        mask = (
            self._mask(end if end is not None else len(self.windows.end) - 1) if len(self.windows.end) else self.chosen
        )
        estimate = self.expected.over(mask)
        if estimate is None:
            return cannot_tell(self.look.check, f"no settled running with {self.look.words} in the window")
        gap = uncovered(self.subject, self.frame, self.look, self._samples())
        if gap:
            return cannot_tell(self.look.check, f"{self.look.words}: {gap}")
        why_not = self._why_open(estimate, whole)
        finding = self._finding(Outcome.ABSENT, mask, estimate)
        return downgrade(finding, why_not) if why_not else finding

    def _samples(self) -> Mask:
        return np.asarray(self.chosen[self.expected.blocks.of] & np.isfinite(self.look.reading))

    def _why_open(self, estimate: Estimate, whole: Index) -> str:
        """Why absence can't be said; empty where it can."""
        words, near = self.look.words, self.subject.limits["duty.near_share"] * self.limit
        toward = self.sign * estimate.value
        if estimate.half_width > self.limit:
            size = self._sized(estimate.half_width)
            return f"{words}: at this duty, or by so few readings, it is known to {size} only"
        if self._high(estimate) > self.limit:
            return f"{words}: its interval reaches the limit"
        if toward > near:
            return f"{words}: too near the limit to call it absent"
        if self._last_beyond():
            return f"{words}: its last reading lies beyond the limit, but not for long enough"
        if self.named:
            return f"{words}: the trip's own text names it"
        w = self.windows
        clear = w.toward - student_quantile(estimate.dof, _CHANCE) * w.error
        if bool(np.any((w.toward > self.limit) & (clear > 0.0))):
            return f"{words}: went beyond the limit, but not for long or surely enough"
        return ""

    def _last_beyond(self) -> bool:
        there = np.flatnonzero(np.asarray(self.frame.in_failing_run) & np.isfinite(self.look.reading))
        if not len(there):
            return False
        block = int(self.expected.blocks.of[there[-1]])
        if not self.chosen[block]:
            return False
        toward = self.sign * (self.look.reading[there[-1]] - self.expected.expected[block])
        return bool(toward - 2.0 * self.expected.error[block] > self.limit)

    def _sized(self, width: float) -> str:
        if self.look.ratio:
            return f"± {width:.0%} of it"
        return f"± {width:.2g} {self.look.unit}"

    def _explained(self, mask: Mask, left: float) -> str:
        """How much of the whole deviation at like capacity is explained; empty where that is not known."""
        before = None if self.whole is None else self.whole.over(mask)
        if before is None:
            return ""
        unit, by = self.look.unit, before.value - left
        return f" ({before.value:+.3g} {unit} at like capacity, {by:+.3g} {unit} of it by the pressures)"

    def _finding(self, outcome: Outcome, mask: Mask, estimate: Estimate) -> Finding:
        look, frame, blocks = self.look, self.frame, self.expected.blocks
        samples = blocks.samples_of(mask)
        first_ns, last_ns = int(frame.t[samples[0]]), int(frame.t[samples[-1]])
        lasted_s = (last_ns - first_ns) / NS
        interval_s = frame.interval_s(*look.groups)
        count = len(samples)
        if np.isfinite(interval_s):
            count = max(1, min(count, int(lasted_s / interval_s) + 1))
        signed_limit = self.sign * self.limit
        seen = self.sign * estimate.smallest_seen(self.limit)
        numbers = [estimate.value, estimate.low, estimate.high, signed_limit, seen]
        if look.ratio:
            value, low, high, bound, seen = (1.0 + x for x in numbers)
            text = f"{look.words} {value:.2f} times ({low:.2f} to {high:.2f}) what is expected at this duty"
            text += f", limit {bound:.2f} times"
            least = f"{seen:.2f} times"
        else:
            value, low, high, bound, seen = numbers
            text = (
                f"{look.words} {value:+.3g} {look.unit} ({low:+.3g} to {high:+.3g}) from what is expected at this duty"
            )
            text += f", limit {bound:+.3g} {look.unit}"
            least = f"{seen:+.3g} {look.unit}"
            text += self._explained(mask, value)
        words = (
            f"{text}; beyond it for {lasted_s / 60.0:.3g} min."
            if outcome is Outcome.PRESENT
            else f"{text}, over the last {max(lasted_s, 1.0) / 60.0:.3g} min; {least} would have been seen."
        )
        return make_finding(
            self.subject,
            look.check,
            outcome,
            words,
            Value(
                value,
                low,
                high,
                look.unit,
                look.limit_name,
                above=look.above,
                limit=bound,
                detectable=seen,
                usual=1.0 if look.ratio else 0.0,
            ),
            Seen((first_ns, last_ns), frame.cites(look.groups, first_ns, last_ns), interval_s, count),
        )
