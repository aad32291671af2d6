"""What the oil was before a start and just after it: diluted, unheated, foaming, late."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.duty.baseline import Floats, Times, cite, max_age_s, runs_of
from forensics.machine.subject import Subject
from forensics.model.findings import Cite, Finding
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS, Samples, Span
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.oil.rest import (
    asked_start,
    failing_start,
    was_cold,
)

_MOST_STARTS = 50
_FEWEST = 3


@dataclass(frozen=True)
class OilDifference:
    """Feed less suction, kPa, at the feed's own stamps, with the points that it comes from.

    ``holds`` says that both are change logs without a hold limit: a value stands until the next.
    """

    t: Times
    v: Floats
    interval_s: float
    points: tuple[Samples, ...]
    holds: bool

    def cites(self, start_ns: int, end_ns: int) -> tuple[Cite, ...]:
        """Rows of its points between two times."""
        return tuple(c for point in self.points for c in cite(point, start_ns, end_ns))


@kept_with_owner
def oil_difference(subject: Subject) -> OilDifference | None:
    """The oil difference: logged as such, else feed pressure less suction pressure; made once for a subject."""
    record = subject.record
    direct = record.fastest(Role.OIL_PRESSURE_DIFFERENCE)
    if direct is not None and len(direct.trusted):
        good = direct.trusted
        return OilDifference(good.t, good.v, direct.interval_s, (direct,), _holds(direct))
    feed, suction = record.fastest(Role.OIL_PRESSURE), record.point(Role.SUCTION_PRESSURE)
    if feed is None or suction is None:
        return None
    good = feed.trusted
    low = suction.trusted
    if feed.origin.recorded is Recorded.CHANGE or suction.origin.recorded is Recorded.CHANGE:
        times = np.union1d(good.t, low.t)
        v = good.at(times, max_age_s(feed)) - low.at(times, max_age_s(suction))
    else:
        times = good.t
        v = good.v - low.at(times, max_age_s(suction))
    finite = np.isfinite(v)
    if not finite.any():
        return None
    points = (feed, suction)
    return OilDifference(
        times[finite],
        v[finite],
        max(p.interval_s for p in points),
        points,
        all(_holds(p) for p in points),
    )


def _holds(point: Samples) -> bool:
    return point.origin.recorded is Recorded.CHANGE and point.origin.hold_s is None


@detector("oil.difference_late_at_start", failing_start)
def difference_late_at_start(subject: Subject, check: str, starts: tuple[Span, ...]) -> Finding:
    """Decide whether the oil difference came late, or never, at the start that led into the failure."""
    oil, limits = oil_difference(subject), subject.limits
    if oil is None:
        return cannot_tell(check, "no trusted oil difference")
    level, proof_s = limits["oil.difference_low"], limits["oil.proof_time"]
    took = [_time_to(oil, span, level, subject.record.failure_ns) for span in starts]
    value_s, reached, count = took[-1]
    if not count:
        return cannot_tell(check, "no reading of the oil difference after that start")
    own = [s for s, done, n in took[:-1] if done and n]
    limit_s = proof_s
    usual = max(own) if len(own) >= limits["oil.own_starts_least"] else None
    if usual is not None:
        limit_s = min(proof_s, max(limits["oil.own_start_factor"] * usual, 2.0 * oil.interval_s))
    late = value_s > limit_s
    outcome = Outcome.PRESENT if late else Outcome.ABSENT if reached else Outcome.CANNOT_TELL
    span = starts[-1]
    end_ns = span.start_ns + round((value_s + oil.interval_s) * NS)
    text = (
        f"reached {level:.0f} kPa after {value_s:.0f} s"
        if reached
        else f"had not reached {level:.0f} kPa after {value_s:.0f} s"
    )
    return make_finding(
        subject,
        check,
        outcome,
        f"Oil difference {text}; limit {limit_s:.0f} s"
        + (f", slowest of {len(own)} earlier starts {usual:.0f} s" if usual is not None else ""),
        Value(
            value_s,
            max(0.0, value_s - oil.interval_s),
            value_s + oil.interval_s,
            "s",
            "oil.proof_time",
            above=True,
            limit=limit_s,
        ),
        seen=Seen((span.start_ns, end_ns), oil.cites(span.start_ns, end_ns), oil.interval_s, count),
        why_not="the run ended before the proof time",
    )


def _time_to(oil: OilDifference, span: Span, level: float, failure_ns: int) -> tuple[float, bool, int]:
    """Seconds from a start until the difference reached a level (or the run ended), whether it did, samples."""
    end_ns = min(span.end_ns, failure_ns)
    low, high = np.searchsorted(oil.t, [span.start_ns, end_ns])
    reached = np.flatnonzero(oil.v[low:high] >= level)
    if len(reached):
        return (int(oil.t[low + reached[0]]) - span.start_ns) / NS, True, int(reached[0]) + 1
    return (end_ns - span.start_ns) / NS, False, int(high - low)


@detector("oil.foaming_at_start", failing_start)
def foaming_at_start(subject: Subject, check: str, starts: tuple[Span, ...]) -> Finding:
    """Decide whether the level swelled, or the oil difference was rough, after the start that is asked about."""
    starts = asked_start(subject, starts)
    level = subject.record.fastest(Role.OIL_LEVEL)
    swell = None if level is None or level.interval_s > _SLOW_S else _swelling(subject, starts, level.trusted, check)
    rough = _roughness(subject, starts, check)
    found = [f for f in (swell, rough) if f is not None]
    if not found:
        return cannot_tell(check, "too few readings of level or oil difference after that start")
    present = next((f for f in found if f.outcome is Outcome.PRESENT), None)
    return present or found[0]


_SLOW_S = 15.0


def _swelling(subject: Subject, starts: tuple[Span, ...], level: Samples, check: str) -> Finding | None:
    """By the level: foam lifts it, or is carried off so that it sinks, farther than at own earlier starts."""
    limits = subject.limits
    span = starts[-1]
    moves = [_moves(level, s, limits["oil.foam_within"], subject.record.failure_ns) for s in starts]
    if moves[-1] is None:
        return None
    rise, sink, count = moves[-1]
    own = [m for m in moves[:-1] if m is not None]
    known = len(own) >= limits["oil.own_starts_least"]
    usual_rise, usual_sink = (max(0.0, *(m[k] for m in own)) if known else 0.0 for k in (0, 1))
    limit = limits["oil.foam_level_rise"]
    # oil that begins to go round lowers the level of some machines at every start: without own starts nothing tells it
    sank = known and sink - usual_sink > max(limit, rise - usual_rise)
    way, value, usual = ("sank", sink, usual_sink) if sank else ("swelled", rise, usual_rise)
    end_ns = min(span.end_ns, span.start_ns + round(limits["oil.foam_within"] * NS))
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if value - usual > limit else Outcome.ABSENT,
        f"Oil level {way} by {value:.0f} % of its range after the start (limit {limit:.0f} %"
        + (f" beyond the {usual:.0f} % of earlier starts)." if usual > 0.0 else ")."),
        Value(value - usual, unit="%", limit_name="oil.foam_level_rise", above=True),
        Seen((span.start_ns, end_ns), cite(level, span.start_ns, end_ns), level.interval_s, count),
    )


def _moves(level: Samples, span: Span, within_s: float, failure_ns: int) -> tuple[float, float, int] | None:
    """How far the level rose and sank after a start, and by how many readings."""
    before = level.between(span.start_ns - 120 * NS, span.start_ns)
    end_ns = min(span.end_ns, failure_ns, span.start_ns + round(within_s * NS))
    after = level.between(span.start_ns, end_ns)
    if not len(before) or len(after) < _FEWEST:
        return None
    at_rest, (low, high) = float(np.median(before.v)), np.percentile(after.v, [10.0, 90.0])
    return float(high) - at_rest, at_rest - float(low), len(after)


def _roughness(subject: Subject, starts: tuple[Span, ...], check: str) -> Finding | None:
    """Roughness of the oil difference: robust size of its second differences, against settled running."""
    oil, limits = oil_difference(subject), subject.limits
    if oil is None or oil.interval_s > _SLOW_S:
        return None
    span = starts[-1]
    end_ns = min(span.end_ns, subject.record.failure_ns, span.start_ns + round(limits["oil.foam_within"] * NS))
    settled = [
        _rough(oil, s.start_ns + round(limits["duty.settle_after_start"] * NS), min(s.end_ns, s.start_ns + 3600 * NS))
        for s in runs_of(subject)[-_MOST_STARTS:]
    ]
    own = [r for r, n in settled if n > _ENOUGH]
    value, count = _rough(oil, span.start_ns + 30 * NS, end_ns)
    if count < _ENOUGH or not own:
        return None
    limit = max(limits["oil.foam_noise"] * float(np.median(own)), limits["oil.foam_noise_least"])
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if value > limit else Outcome.ABSENT,
        f"Oil difference after the start: roughness {value:.2g} kPa from sample to sample (limit {limit:.2g} kPa).",
        Value(value, unit="kPa", limit_name="oil.foam_noise", above=True, limit=limit),
        Seen((span.start_ns, end_ns), oil.cites(span.start_ns, end_ns), oil.interval_s, count),
    )


_ENOUGH = 10


def _rough(oil: OilDifference, start_ns: int, end_ns: int) -> tuple[float, int]:
    low, high = np.searchsorted(oil.t, [start_ns, end_ns])
    part = oil.v[low:high]
    if len(part) < _ENOUGH:
        return float("nan"), len(part)
    return float(np.sqrt(np.mean(np.diff(part, 2) ** 2) / 6.0)), len(part)


@detector("oil.temperature_falls_after_start", failing_start)
def temperature_falls_after_start(subject: Subject, check: str, starts: tuple[Span, ...]) -> Finding:
    """Decide whether oil temperature fell after the start that is asked about, more than at earlier starts."""
    starts = asked_start(subject, starts)
    limits, oil_c = subject.limits, subject.record.samples[Role.OIL_TEMPERATURE][0].trusted
    falls = [_fall(oil_c, s, limits["oil.fall_within"], subject.record.failure_ns) for s in starts]
    if falls[-1] is None:
        return cannot_tell(check, "too few readings of oil temperature after that start")
    value, count = falls[-1]
    own = [f[0] for f in falls[:-1] if f is not None]
    limit = limits["oil.fall_after_start"]
    if len(own) >= limits["oil.own_starts_least"]:
        limit = max(limit, max(own) + limits["oil.fall_own"])
    span = starts[-1]
    end_ns = min(span.end_ns, span.start_ns + round(limits["oil.fall_within"] * NS))
    short = (end_ns - span.start_ns) / NS < limits["oil.fall_within"] / 2.0
    outcome = Outcome.PRESENT if value > limit else Outcome.CANNOT_TELL if short else Outcome.ABSENT
    why_not = "the run was too short to see it fall"
    if outcome is Outcome.ABSENT and was_cold(subject):
        outcome, why_not = Outcome.CANNOT_TELL, "the oil was at saturation before the start: it could not fall further"
    return make_finding(
        subject,
        check,
        outcome,
        f"Oil temperature fell by {value:.1f} K after the start (limit {limit:.1f} K, {len(own)} earlier starts).",
        Value(value, unit="K", limit_name="oil.fall_after_start", above=True, limit=limit),
        seen=Seen((span.start_ns, end_ns), cite(oil_c, span.start_ns, end_ns), oil_c.interval_s, count),
        why_not=why_not,
    )


def _fall(oil_c: Samples, span: Span, within_s: float, failure_ns: int) -> tuple[float, int] | None:
    before = oil_c.before(span.start_ns, max_age_s(oil_c))
    end_ns = min(span.end_ns, failure_ns, span.start_ns + round(within_s * NS))
    after = oil_c.between(span.start_ns, end_ns)
    if before is None or not len(after):
        return None
    return before.value - float(np.min(after.v)), len(after)
