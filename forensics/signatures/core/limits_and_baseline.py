"""What many checks share: what they look at, what they need before they look, and a reading against a limit.

A reading against what is expected at like duty is in :mod:`forensics.signatures.core.like_duty`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.duty.baseline import (
    AlignedSamples,
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
from forensics.machine.trip_words import trip_texts
from forensics.model.findings import Finding
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role, StopKind
from forensics.rules import read_checks
from forensics.signatures.core.finding import Seen, Value, cannot_tell, downgrade, make_finding
from forensics.signatures.core.needs import met

_CUT_OFF_S = 10.0


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
        The limit is a ratio to what is expected; findings give the ratio.
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


@kept_with_owner
def _roles_of_the_trip(subject: Subject) -> frozenset[tuple[Role, str]]:
    """Roles that measure what the trip's text names, each with the side on which it trips."""
    named = trip_texts(subject)[:1]
    return frozenset((role, quantity.side) for quantity, _ in named for role in quantity.sensors)


def named_by_trip(subject: Subject, look: ThresholdTest) -> bool:
    """Whether the text of the trip names what a check looks at, on the side that it looks at."""
    sides = ("high", "either") if look.above else ("low", "either")
    roles = {role for group in look.groups[:1] for role in group}
    return any(role in roles and side in sides for role, side in _roles_of_the_trip(subject))


def against_limit(subject: Subject, frame: AlignedSamples, look: ThresholdTest, usable: Mask | None = None) -> Finding:
    """Judge whether a reading stayed beyond a limit in the running of the window.

    Present where it stayed there for as long as the limit asks. Absent where it kept clear of the limit by more than
    sensors err: in 95 of 100 readings, and in all of the last minutes before the failure, without growing towards it.
    Else cannot-tell.
    """
    limit = subject.limits[look.limit_name]
    chosen = (frame.settled if usable is None else usable) & frame.judged & np.isfinite(look.reading)
    if not chosen.any():
        return cannot_tell(look.check, f"no settled running with {look.words} in the window")
    interval_s = frame.interval_s(*look.groups)
    sign = 1.0 if look.above else -1.0
    signed, bound = sign * look.reading, sign * limit
    found = _lasting(subject, frame, signed > bound, chosen, subject.limits[look.lasting], interval_s)
    if found:
        failing = [e for e in found if frame.run[e.last] == frame.failing]
        best = failing[-1] if failing else max(found, key=lambda e: e.seconds)
        inside = np.arange(best.first, best.last + 1)
        inside = inside[chosen[inside]]
        present = _level(subject, frame, look, Outcome.PRESENT, float(np.median(look.reading[inside])), inside)
        left = signed[chosen & (frame.t > frame.t[best.last])]
        if not look.sudden and len(left) > len(inside) and float(np.median(left)) < bound:
            return downgrade(present, f"{look.words}: it came back, as what is fouled or plugged does not")
        return present
    if gap := uncovered(subject, frame, look, chosen):
        return cannot_tell(look.check, f"{look.words}: {gap}")
    inside = np.flatnonzero(chosen)
    late = inside[(frame.t[inside[-1]] - frame.t[inside]) / NS <= subject.limits["duty.approach_s"]]
    worst = max(float(np.percentile(signed[inside], 95.0)), float(np.max(signed[late])))
    finding = _level(subject, frame, look, Outcome.ABSENT, sign * worst, inside)
    error = level_error(subject, look, limit)
    if worst > bound:
        return downgrade(finding, f"{look.words}: went beyond the limit, but not for long enough")
    if worst > bound - error:
        return downgrade(finding, f"{look.words}: closer to the limit than sensors err")
    before = inside[: len(inside) - len(late)]
    own = float(np.median(signed[before])) if len(before) else float("nan")
    if np.isfinite(own) and worst - own > subject.limits["duty.near_share"] * (bound - own):
        return downgrade(finding, f"{look.words}: grew most of the way to the limit")
    if named_by_trip(subject, look):
        return downgrade(finding, f"{look.words}: the trip's own text names it")
    return finding


def _lasting(
    subject: Subject, frame: AlignedSamples, beyond: Mask, chosen: Mask, least_s: float, interval_s: float
) -> list[Episode]:
    """Episodes that lasted, and shorter ones that a trip cut off: what a protection ended had no time to last."""
    fine_s = max(_CUT_OFF_S, 2.0 * interval_s) if np.isfinite(interval_s) else least_s
    if fine_s >= least_s:
        return episodes(frame, beyond, chosen, least_s, interval_s)
    room_ns = round(max(_CUT_OFF_S, 2.0 * interval_s) * NS)
    trips = [stop for stop in subject.stops if stop.kind is StopKind.TRIP]

    def cut_off(one: Episode) -> bool:
        end_ns = int(frame.t[one.last])
        return any(stop.earliest_ns - room_ns <= end_ns <= stop.latest_ns + room_ns for stop in trips)

    return [
        one
        for one in episodes(frame, beyond, chosen, fine_s, interval_s)
        if one.seconds >= max(least_s, interval_s if np.isfinite(interval_s) else 0.0) or cut_off(one)
    ]


def level_error(subject: Subject, look: ThresholdTest, limit: float) -> float:
    """How close to a limit a level is on neither side of it, in the unit of the level."""
    if look.unit in ("K", "degC"):
        return subject.limits["duty.level_error_k"]
    return subject.limits["duty.level_error_share"] * abs(limit)


def uncovered(subject: Subject, frame: AlignedSamples, look: ThresholdTest, chosen: Mask) -> str:
    """Why absence can't be said of the run that failed; empty where it can, or where the effect is a slow one."""
    if not look.sudden:
        return ""
    if frame.failing < 0:
        return unseen_run(subject)
    there = np.flatnonzero(chosen & frame.in_failing_run)
    if not len(there):
        return "the run that failed has no settled running with it"
    end_ns = min(frame.spans[frame.failing].end_ns, subject.record.failure_ns)
    reach_s = max(3.0 * frame.interval_s(*look.groups), subject.limits["duty.failure_reach"])
    if (end_ns - int(frame.t[there[-1]])) / NS > reach_s:
        return "its readings end before the run that failed does"
    return ""


def _level(
    subject: Subject,
    frame: AlignedSamples,
    look: ThresholdTest,
    outcome: Outcome,
    value: float,
    inside: np.ndarray[tuple[int], np.dtype[np.int64]],
) -> Finding:
    """The finding of a level: its value with the middle eight of ten readings."""
    limit, interval_s = subject.limits[look.limit_name], frame.interval_s(*look.groups)
    first_ns, last_ns = int(frame.t[inside[0]]), int(frame.t[inside[-1]])
    low, high = (float(x) for x in np.nanpercentile(look.reading[inside], (10.0, 90.0)))
    lasted_s = (last_ns - first_ns) / NS
    samples = max(1, min(len(inside), int(lasted_s / interval_s) + 1)) if np.isfinite(interval_s) else len(inside)
    side = "above" if look.above else "below"
    text = f"{look.words} {value:.3g} {look.unit}, limit {limit:.3g} {look.unit}"
    words = (
        f"{text}; stayed {side} it for {lasted_s / 60.0:.3g} min."
        if outcome is Outcome.PRESENT
        else f"within {text}: 95 of 100 readings in {lasted_s / 3600.0:.3g} h, and all of the last minutes."
    )
    seen = limit + (1.0 if look.above else -1.0) * level_error(subject, look, limit)
    return make_finding(
        subject,
        look.check,
        outcome,
        words,
        Value(value, min(low, value), max(high, value), look.unit, look.limit_name, above=look.above, detectable=seen),
        Seen((first_ns, last_ns), frame.cites(look.groups, first_ns, last_ns), interval_s, samples),
    )


def own_then_level(own: Finding, level: Finding, *, level_excludes: bool) -> Finding:
    """Join the judgement against the machine's own usual with the one against a textbook level.

    Parameters
    ----------
    level_excludes
        A normal level alone may say absent where the machine's own usual is not known.
    """
    if own.outcome is Outcome.PRESENT:
        return own
    if level.outcome is Outcome.PRESENT:
        if _no_change(own):
            return downgrade(level, "it is beyond the usual level, but as it was before: no change in this record")
        return level
    if own.outcome is Outcome.CANNOT_TELL and own.value is None and level_excludes:
        return level
    return own


def _no_change(own: Finding) -> bool:
    """Whether a finding against own running shows, by its whole interval, no change as large as its limit."""
    if own.outcome is Outcome.ABSENT:
        return True
    ends = (own.low, own.high, own.limit)
    if own.outcome is not Outcome.CANNOT_TELL or any(x is None or not np.isfinite(x) for x in ends):
        return False
    low, high, limit = (x for x in ends if x is not None)
    return high < limit if own.above else low > limit
