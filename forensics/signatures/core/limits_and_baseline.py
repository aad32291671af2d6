"""Two judgements that many checks share: a reading against a limit, and a reading against the machine's own usual."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.baseline import (
    AlignedSamples,
    Baseline,
    Derived,
    Episode,
    Floats,
    Mask,
    derived_of,
    episodes,
    frame_of,
)
from forensics.machine.history import unseen_run
from forensics.machine.subject import Saturation, Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import read_checks
from forensics.signatures.core.finding import Seen, Value, cannot_tell, downgrade, make_finding
from forensics.signatures.core.needs import met


@dataclass(frozen=True)
class ThresholdTest:
    """What a check looks at.

    Attributes
    ----------
    check
        Id in the catalogue.
    reading
        Over the frame, shape (n,), in ``unit``.
    words
        What the reading is called in a sentence.
    limit_name, above
        Limit, and on which side of it the check is present.
    lasting
        Name of the limit that says how long the reading must stay there, s.
    groups
        For each part of the reading, the roles that may stand for it.
    sudden
        The effect comes and goes within a run, so that absence must be seen in the run that failed.
    ratio
        The reading is a natural logarithm and the limit a ratio to the machine's own usual; findings give the ratio.
    """

    check: str
    reading: Floats
    unit: str
    words: str
    limit_name: str
    above: bool
    lasting: str
    groups: tuple[tuple[Role, ...], ...]
    sudden: bool = True
    ratio: bool = False


def ready(subject: Subject, check: str) -> tuple[()] | Finding:
    """Nothing more than that the needs of a check are met, by readings that can be trusted."""
    if isinstance(failed := met(subject, check), Finding):
        return failed
    why_not = _distrusted(subject, check)
    return cannot_tell(check, why_not) if why_not else ()


def saturated(subject: Subject, check: str) -> tuple[Saturation] | Finding:
    """The saturation curve of the refrigerant, for a check whose needs are met."""
    if isinstance(failed := ready(subject, check), Finding):
        return failed
    if subject.saturation is None:
        return cannot_tell(
            check,
            subject.saturation_missing or "no saturation data of the refrigerant",
            unlocked_by="give machine.saturation_table: pressure, bubble and dew temperature",
        )
    return (subject.saturation,)


def running(subject: Subject, check: str) -> tuple[AlignedSamples] | Finding:
    """The frame over the running, for a check whose needs are met."""
    failed = ready(subject, check)
    return failed if isinstance(failed, Finding) else (frame_of(subject),)


def running_saturated(subject: Subject, check: str) -> tuple[AlignedSamples, Derived] | Finding:
    """The frame, and what the saturation curve makes of it, for a check whose needs are met."""
    if isinstance(failed := saturated(subject, check), Finding):
        return failed
    frame = frame_of(subject)
    return frame, derived_of(subject, frame)


def _distrusted(subject: Subject, check: str) -> str:
    """Needs that only stuck, pasted or unusable readings would meet, in words; empty where there is none."""
    record, bad = subject.record, []
    for need in read_checks()[check].needs:
        samples = [p for role in need.roles for p in record.samples.get(role, ())]
        switches = any(record.switches.get(role) for role in need.roles)
        if samples and not switches and not any(len(p.trusted) for p in samples):
            bad.append(f"no trusted reading of {' or '.join(role.value for role in need.roles)}")
    return "; ".join(bad)


def against_limit(subject: Subject, frame: AlignedSamples, look: ThresholdTest, usable: Mask | None = None) -> Finding:
    """Judge whether a reading stayed beyond a limit in the settled running of the window.

    Cannot-tell where one reading in twenty went beyond it and none for long enough: at slow samples, or in swings.
    """
    limit = subject.limits[look.limit_name]
    finding = _judge(subject, frame, look, look.reading, limit, usable)
    if finding.outcome is not Outcome.ABSENT or finding.value is None:
        return finding
    beyond = finding.value > limit if look.above else finding.value < limit
    return downgrade(finding, f"{look.words}: went beyond the limit, but not for long enough") if beyond else finding


def against_own(
    subject: Subject, frame: AlignedSamples, look: ThresholdTest, usual: Baseline, usable: Mask | None = None
) -> Finding:
    """Judge whether a reading stayed away from the machine's own usual at like duty by more than a limit.

    The value is the deviation. The limit is widened to three of the machine's own deviations where those are larger.
    Between ``duty.near_share`` of the limit and the limit the answer is cannot-tell.
    """
    if usual.why_not:
        return cannot_tell(look.check, usual.why_not, unlocked_by="keep some days of running before the event")
    given = subject.limits[look.limit_name]
    limit = max(abs(np.log(given) if look.ratio else given), subject.limits["duty.spread_factor"] * usual.sigma)
    chosen = frame.settled if usable is None else usable
    later = chosen & ~usual.baseline
    finding = _judge(subject, frame, look, usual.deviation, limit, later, own=usual)
    if finding.outcome is not Outcome.ABSENT or finding.value is None:
        return finding
    if usual.recent is not None and look.sudden and _rests_on_recent(subject, frame, usual.recent, later):
        why = "the duty of the last run was seen only in the hours before it, in which a fault may have grown"
        return downgrade(finding, f"{look.words}: {why}")
    sign = 1.0 if look.above else -1.0
    value = float(np.log(finding.value)) if look.ratio else finding.value
    if sign * value > subject.limits["duty.near_share"] * limit:
        beyond = sign * value > limit
        text = "went beyond the limit, but not for long enough" if beyond else "too near the limit to call it absent"
        return downgrade(finding, f"{look.words}: {text}")
    return finding


def _rests_on_recent(subject: Subject, frame: AlignedSamples, recent: Mask, chosen: Mask) -> bool:
    """Whether much of the run that failed is judged by running of the last hours alone."""
    last = chosen & frame.in_failing_run
    return bool(last.any()) and float((recent & last).sum()) > subject.limits["duty.unlike_share"] * float(last.sum())


def _judge(
    subject: Subject,
    frame: AlignedSamples,
    look: ThresholdTest,
    reading: Floats,
    limit: float,
    usable: Mask | None,
    own: Baseline | None = None,
) -> Finding:
    chosen = (frame.settled if usable is None else usable) & frame.judged & np.isfinite(reading)
    if not chosen.any():
        like = "" if own is None else " at a duty that was seen before"
        return cannot_tell(look.check, f"no settled running with {look.words} in the window{like}")
    interval_s = frame.interval_s(*look.groups)
    signed = reading if look.above else -reading
    bound = (1.0 if look.above else -1.0) * (abs(limit) if own is not None else limit)
    threshold = abs(limit) if own is not None else bound
    found = episodes(frame, signed > threshold, chosen, subject.limits[look.lasting], interval_s)
    if found:
        return _present(subject, frame, look, reading, limit, chosen, found, own)
    gap = _uncovered(subject, frame, chosen, interval_s) if look.sudden else ""
    if gap and own is not None:
        gap = f"{gap}, or its duty there was not seen before"
    if not gap and own is not None:
        gap = _unlike(subject, frame, look, chosen, usable)
    last = np.flatnonzero(chosen & frame.in_failing_run)
    coarse = 2.0 * interval_s > subject.limits[look.lasting]
    if not gap and coarse and look.sudden and len(last) and signed[last[-1]] > threshold:
        gap = "beyond the limit at its last reading before the failure, but not seen for long enough"
    if gap:
        return cannot_tell(look.check, f"{look.words}: {gap}")
    worst = float(np.percentile(signed[chosen], 95.0)) * (1.0 if look.above else -1.0)
    return _finding(subject, frame, look, Outcome.ABSENT, worst, limit, np.flatnonzero(chosen), own)


def _present(
    subject: Subject,
    frame: AlignedSamples,
    look: ThresholdTest,
    reading: Floats,
    limit: float,
    chosen: Mask,
    found: list[Episode],
    own: Baseline | None,
) -> Finding:
    failing = [e for e in found if frame.run[e.last] == frame.failing]
    best = failing[-1] if failing else max(found, key=lambda e: e.seconds)
    inside = np.arange(best.first, best.last + 1)
    inside = inside[chosen[inside]]
    value = float(np.median(reading[inside]))
    return _finding(subject, frame, look, Outcome.PRESENT, value, limit, inside, own)


def _uncovered(subject: Subject, frame: AlignedSamples, chosen: Mask, interval_s: float) -> str:
    """Why absence can't be said of the run that failed; empty where it can."""
    if frame.failing < 0:
        return unseen_run(subject)
    there = np.flatnonzero(chosen & frame.in_failing_run)
    if not len(there):
        return "the run that failed has no settled running with it"
    end_ns = min(frame.spans[frame.failing].end_ns, subject.record.failure_ns)
    reach_s = max(3.0 * interval_s, subject.limits["duty.failure_reach"])
    if (end_ns - int(frame.t[there[-1]])) / NS > reach_s:
        return "its readings end before the run that failed does"
    return ""


def _unlike(subject: Subject, frame: AlignedSamples, look: ThresholdTest, chosen: Mask, usable: Mask | None) -> str:
    """Why absence can't be said where much of the last run went at a duty not seen before; empty where it can."""
    asked = (frame.settled if usable is None else usable) & frame.judged & np.isfinite(look.reading)
    if not asked.any():
        return ""
    last = asked & (frame.run == frame.run[np.flatnonzero(asked)[-1]])
    left_out = 1.0 - float((chosen & last).sum()) / float(last.sum())
    if left_out > subject.limits["duty.unlike_share"]:
        return f"{left_out:.0%} of the last run went at a duty that was not seen before"
    return ""


def _finding(
    subject: Subject,
    frame: AlignedSamples,
    look: ThresholdTest,
    outcome: Outcome,
    value: float,
    limit: float,
    inside: np.ndarray[tuple[int], np.dtype[np.int64]],
    own: Baseline | None,
) -> Finding:
    interval_s = frame.interval_s(*look.groups)
    first_ns, last_ns = int(frame.t[inside[0]]), int(frame.t[inside[-1]])
    reading = look.reading[inside] if own is None else look.reading[inside] - own.usual[inside]
    low, high = (float(x) for x in np.nanpercentile(reading, (10.0, 90.0)))
    low, high = min(low, value), max(high, value)
    lasted_s = (last_ns - first_ns) / NS
    samples = max(1, min(len(inside), int(lasted_s / interval_s) + 1)) if np.isfinite(interval_s) else len(inside)
    cites = frame.cites(look.groups, first_ns, last_ns)
    signed_limit = limit if own is None or look.above else -abs(limit)
    side = "above" if look.above else "below"
    if look.ratio:
        value, low, high, signed_limit = (float(np.exp(x)) for x in (value, low, high, signed_limit))
        text = f"{look.words} {value:.2f} times its own usual at like duty, limit {signed_limit:.2f} times"
    elif own is None:
        text = f"{look.words} {value:.3g} {look.unit}, limit {signed_limit:.3g} {look.unit}"
    else:
        limit_text = f"limit {signed_limit:+.3g} {look.unit}"
        text = f"{look.words} {value:+.3g} {look.unit} from its own usual at like duty, {limit_text}"
    words = (
        f"{text}; stayed {side} it for {lasted_s / 60.0:.3g} min."
        if outcome is Outcome.PRESENT
        else f"95 of 100 readings in {lasted_s / 3600.0:.3g} h of the window within {text}."
    )
    return make_finding(
        subject,
        look.check,
        outcome,
        words,
        Value(value, low, high, look.unit, look.limit_name, above=look.above, limit=signed_limit),
        Seen((first_ns, last_ns), cites, interval_s, samples),
    )


def own_then_level(own: Finding, level: Finding, *, level_excludes: bool) -> Finding:
    """Join the judgement against the machine's own usual with the one against a textbook level.

    Parameters
    ----------
    level_excludes
        A normal level alone may say absent where the machine's own usual is not known.
    """
    if Outcome.PRESENT in (own.outcome, level.outcome) and own.outcome is not Outcome.ABSENT:
        return own if own.outcome is Outcome.PRESENT else level
    if own.outcome is Outcome.ABSENT and level.outcome is Outcome.PRESENT:
        return downgrade(level, "it is beyond the usual level, but as it was before: no change in this record")
    if own.outcome is Outcome.CANNOT_TELL and not own.value and level_excludes:
        return level
    return own
