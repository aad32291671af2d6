"""Does the slide move by itself: drift while holding, to load or to unload."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.commands import read_commands
from forensics.findings import Finding
from forensics.points import NS
from forensics.signatures.answer import Seen, Value, answered, rows_of, three_way
from forensics.signatures.base import Subject, cannot_tell
from forensics.signatures.slide_capacity import Capacity, Floats, Mask
from forensics.signatures.slide_holds import Balance, Gaps, holding_gaps, moves_by_itself, unseen_seconds
from forensics.signatures.slide_motion import expected, looked, role_of
from forensics.signatures.slopes import median_slope
from forensics.vocabulary import Outcome, Recorded, Role

_FEWEST_BLOCKS = 3


# counts of about ten pulses spread by a third, and so do rates of travel: twice what is expected is beyond both
_UNSEEN_MARGIN = 2.0


def _drift(subject: Subject, check: str, sign: float) -> tuple[Finding, ...]:
    asked = looked(subject, check)
    if isinstance(asked, Finding):
        return (asked,)
    source, _ = asked
    worn = moves_by_itself(subject, source, sign)
    if worn is not None:
        return (_balanced(subject, check, sign, source, worn),)
    near = subject.limits["slide.near_end"]
    gaps = holding_gaps(subject, source)
    room = gaps.level < source.high_end - near if sign > 0 else gaps.level > source.low_end + near
    recent = _recent(subject, gaps, room)
    total_s, count = float(np.sum(gaps.seconds[recent])), int(np.sum(recent))
    if total_s < subject.limits["slide.drift_hold_s"] or count < _FEWEST_BLOCKS:
        return (cannot_tell(check, f"{total_s:.0f} s of holding in {count} stretches: too little"),)
    rate, low, high = _slope(sign * gaps.moved[recent], gaps.seconds[recent])
    outcome = three_way(low, high, subject.limits["slide.drift_per_min"], above=True)
    measured = Value(rate, low, high, "%/min", "slide.drift_per_min", above=True)
    words = (
        f"With no command the capacity moved {sign * rate:+.2f} % a minute over {count} stretches, "
        f"{total_s / 60:.0f} min in all."
    )
    other = Role.UNLOAD_SOLENOID if sign > 0 else Role.LOAD_SOLENOID
    if outcome is Outcome.ABSENT and subject.record.switch(other) is None:
        return (cannot_tell(check, f"without {other.value} a drift that it makes good is not seen"),)
    if outcome is Outcome.CANNOT_TELL:
        open_ = cannot_tell(check, words + f" Its interval {low:.2f} to {high:.2f} holds the limit.")
        limit = subject.limits["slide.drift_per_min"]
        return (replace(open_, value=rate, low=low, high=high, unit="%/min", limit=limit, above=True),)
    span = (int(gaps.begin[recent][0]), int(gaps.begin[recent][-1] + gaps.seconds[recent][-1] * NS))
    if outcome is Outcome.PRESENT:
        looked_at = Balance(0.0, total_s / 60.0, 0.0, 0.0, span)
        hidden = _UNSEEN_MARGIN * expected(subject, sign, source) * unseen_seconds(subject, sign, looked_at)
        if sign * float(np.sum(gaps.moved[recent])) <= hidden or _pulses_can_hide(subject, sign):
            return (cannot_tell(check, words + " Pulses that fall between two samples can have made it."),)
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, count, rests_on_commands=True)
    return (answered(subject, check, outcome, words, measured, seen),)


def _pulses_can_hide(subject: Subject, sign: float) -> bool:
    """Whether pulses of a command are shorter than its samples are apart, so that a train in step is never seen."""
    command = read_commands(subject.record, subject.profile)[role_of(sign)]
    if command.switch.origin.recorded is Recorded.CHANGE or command.interval_s <= subject.limits["slide.pulse_least_s"]:
        return False
    starts, ends = command.acting
    return bool(np.any((ends - starts) / NS <= 1.5 * command.interval_s))


def _balanced(subject: Subject, check: str, sign: float, source: Capacity, found: Balance) -> Finding:
    """Drift from what the opposite command had to make good: between half and all of the travel it is worth."""
    worth = expected(subject, -sign, source)
    low = (found.net + 0.5 * worth * found.helped_s) / found.minutes
    high = (found.net + worth * found.helped_s) / found.minutes
    limit = subject.limits["slide.drift_per_min"]
    measured = Value((low + high) / 2, low, high, "%/min", "slide.drift_per_min", above=True)
    word, other = ("rose", "unload") if sign > 0 else ("fell", "load")
    words = (
        f"Without its command the capacity {word} by {found.against:.0f} % in all, while {other} was commanded for "
        f"{found.helped_s:.0f} s in {found.minutes:.0f} min."
    )
    if low <= limit:
        return cannot_tell(check, words + " That is no clear drift.")
    cites = rows_of(source.point, *found.span_ns)
    count = max(2, round(found.minutes / 10))
    seen = Seen(found.span_ns, cites, source.point.interval_s, count, rests_on_commands=True)
    return answered(subject, check, Outcome.PRESENT, words, measured, seen)


def _recent(subject: Subject, gaps: Gaps, room: Mask) -> Mask:
    """The stretches of the last hour of holding."""
    held = np.where(room, gaps.seconds, 0.0)
    left = np.cumsum(held[::-1])[::-1]
    return np.asarray(room & (left <= 60.0 * subject.limits["slide.drift_recent_min"]))


def _slope(moved: Floats, seconds: Floats) -> tuple[float, float, float]:
    """Drift in % a minute with its interval: Theil-Sen through the summed movement, spread from the stretches."""
    minutes, total = np.cumsum(seconds) / 60.0, np.cumsum(moved)
    step = max(1, len(minutes) // 400)
    slope = (
        median_slope(minutes[::step], total[::step])[0]
        if len(minutes) > _FEWEST_BLOCKS
        else (float(total[-1] / minutes[-1]))
    )
    each = moved / (seconds / 60.0)
    share = seconds / np.sum(seconds)
    mean = float(np.sum(each * share))
    spread = float(np.sqrt(np.sum(share**2 * (each - mean) ** 2)))
    # the two estimates of one slope must agree: the interval holds both
    return slope, min(slope, mean) - 2.0 * spread, max(slope, mean) + 2.0 * spread


def drifts_to_unload(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether capacity falls by itself while holding."""
    return _drift(subject, "slide.drifts_to_unload", -1.0)


def drifts_to_load(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether capacity rises by itself while holding."""
    return _drift(subject, "slide.drifts_to_load", 1.0)
