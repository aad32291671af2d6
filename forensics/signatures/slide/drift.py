"""Does the slide move by itself: drift while holding, to load or to unload."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forensics.machine.capacity import Capacity, Floats, Mask, capacity
from forensics.machine.citations import rows_of
from forensics.machine.commands import read_commands
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Recorded
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding, three_way
from forensics.signatures.core.needs import nothing
from forensics.signatures.slide.creep import creep_of
from forensics.signatures.slide.holds import (
    Balance,
    Gaps,
    holding_gaps,
    moves_by_itself,
    unseen_seconds,
)
from forensics.signatures.slide.motion import expected, looked, ran_since, role_of
from forensics.signatures.slide.rates import Rates, rates_of
from forensics.stats.slopes import median_slope

_FEWEST_BLOCKS = 3


# counts of about ten pulses spread by a third, and so do rates of travel: twice what is expected is beyond both
_UNSEEN_MARGIN = 2.0


@dataclass(frozen=True, slots=True)
class _Held:
    """What the stretches without a command show: % a minute in the drift's own sense, with its interval."""

    rate: float
    low: float
    high: float
    words: str
    count: int
    minutes: float
    moved: float
    span_ns: tuple[int, int]
    corrected: bool


def _drift(subject: Subject, check: str, sign: float) -> Finding:
    asked = looked(subject, check)
    if isinstance(asked, Finding):
        return _leaning(subject, sign, asked)
    source, bins = asked
    worn = moves_by_itself(subject, source, sign)
    balanced = None if worn is None else _balanced(subject, check, sign, source, worn)
    if balanced is not None and balanced.outcome is Outcome.PRESENT:
        return balanced
    rates = rates_of(subject, bins, source)
    gaps = holding_gaps(subject, source)
    held = _held(subject, source, gaps, sign, _room(subject, source, gaps, sign))
    if isinstance(held, str) or held.low <= subject.limits["slide.drift_per_min"]:
        # at an end of travel nothing drifts further, so that what drifts all the same is told by all holds as well
        everywhere = _held(subject, source, gaps, sign, np.ones(len(gaps.begin), dtype=bool))
        if not isinstance(everywhere, str) and everywhere.low > subject.limits["slide.drift_per_min"]:
            held = everywhere
    if isinstance(held, str):
        return _by_rates(subject, check, sign, source, rates, held)
    if not held.corrected:
        why = held.words + " The current moves with lift too, which is not logged."
        return _open(subject, check, why, (held.rate, held.low, held.high))
    outcome = three_way(held.low, held.high, subject.limits["slide.drift_per_min"], above=True)
    if outcome is Outcome.CANNOT_TELL:
        why = held.words + f" Its interval {held.low:.2f} to {held.high:.2f} holds the limit."
        return _by_rates(subject, check, sign, source, rates, why, (held.rate, held.low, held.high))
    if outcome is Outcome.ABSENT:
        return _absent(subject, check, sign, source, held, rates, balanced)
    return _present(subject, check, sign, source, held)


def _room(subject: Subject, source: Capacity, gaps: Gaps, sign: float) -> Mask:
    """The stretches that have room to move in the drift's sense."""
    near = subject.limits["slide.near_end"]
    return np.asarray(gaps.level < source.high_end - near if sign > 0 else gaps.level > source.low_end + near)


def _held(subject: Subject, source: Capacity, gaps: Gaps, sign: float, room: Mask) -> _Held | str:
    """Slope over the last hour of holding before the failure; in words what is wanting."""
    limits = subject.limits
    recent = _recent(subject, gaps, room)
    total_s, count = float(np.sum(gaps.seconds[recent])), int(np.sum(recent))
    fewest = _FEWEST_BLOCKS if source.by_slide else round(limits["slide.drift_holds"])
    if total_s < limits["slide.drift_hold_s"] or count < fewest:
        reach_h = limits["slide.drift_reach_h"]
        return f"{total_s:.0f} s of holding in {count} stretches in the last {reach_h:g} h of running: too little"
    moved, minutes = float(np.sum(gaps.moved[recent])), total_s / 60.0
    rate, low, high = _slope(sign * gaps.moved[recent], gaps.seconds[recent])
    doubt = gaps.doubt(recent) / minutes
    lifted = f", what lift moved taken out (to within {doubt:.2f} % a minute)" if gaps.relation is not None else ""
    words = (
        f"With no command the capacity moved {sign * rate:+.2f} % a minute over {count} stretches, "
        f"{minutes:.0f} min in all{lifted}."
    )
    span = (int(gaps.begin[recent][0]), int(gaps.begin[recent][-1] + gaps.seconds[recent][-1] * NS))
    return _Held(rate, low - doubt, high + doubt, words, count, minutes, sign * moved, span, gaps.corrected)


def _absent(
    subject: Subject,
    check: str,
    sign: float,
    source: Capacity,
    held: _Held,
    rates: Rates | None,
    balanced: Finding | None,
) -> Finding:
    """Absent, where no command could have made a drift good unseen and the commands' balance shows none either."""
    other = role_of(-sign)
    if subject.record.switch(other) is None:
        return cannot_tell(check, f"without {other.value} a drift that it makes good is not seen")
    if balanced is not None:
        return balanced
    if rates is not None and (drift := rates.towards(sign)).low > subject.limits["slide.drift_per_min"]:
        why = held.words + f" With the commands taken out it drifts {drift.value:.2f} % a minute: the two disagree."
        return _open(subject, check, why, (drift.value, drift.low, drift.high))
    measured = Value(held.rate, held.low, held.high, "%/min", "slide.drift_per_min", above=True)
    return _told(subject, check, Outcome.ABSENT, held.words, measured, source, held.span_ns, held.count)


def _present(subject: Subject, check: str, sign: float, source: Capacity, held: _Held) -> Finding:
    """Present, unless pulses of the drift's own command can have fallen between two samples and made it."""
    measured = Value(held.rate, held.low, held.high, "%/min", "slide.drift_per_min", above=True)
    words = held.words
    looked_at = Balance(0.0, held.minutes, 0.0, 0.0, held.span_ns)
    hidden = _UNSEEN_MARGIN * expected(subject, sign, source) * unseen_seconds(subject, sign, looked_at)
    if held.moved <= hidden or _pulses_can_hide(subject, sign):
        creep = creep_of(subject, source)
        limit = subject.limits["slide.drift_per_min"]
        if (
            creep is None
            or not creep.undone(sign, subject.limits["slide.undone_share"])
            or min(sign * creep.low, sign * creep.high) <= limit
        ):
            why = words + " Pulses that fall between two samples can have made it."
            return _open(subject, check, why, (held.rate, held.low, held.high))
        words += (
            f" It moved so in most of {creep.steps} steps between readings ({creep.rate:+.2f} % a minute, median), "
            "which pulses that fall between samples do not."
        )
    return _told(subject, check, Outcome.PRESENT, words, measured, source, held.span_ns, held.count)


def _by_rates(
    subject: Subject,
    check: str,
    sign: float,
    source: Capacity,
    rates: Rates | None,
    why: str,
    held: tuple[float, float, float] | None = None,
) -> Finding:
    """What the commands do not explain of the movement, where holding alone leaves it open; never absent by it."""
    limit = subject.limits["slide.drift_per_min"]
    if rates is None or rates.towards(sign).value <= limit:
        return cannot_tell(check, why) if held is None else _open(subject, check, why, held)
    drift = rates.towards(sign)
    words = (
        f"Fitted to {rates.steps} steps with the work of the commands taken out, the capacity drifts "
        f"{sign * drift.value:+.2f} % a minute."
    )
    answers = rates.of(-sign)
    if not rates.timed or drift.low <= limit or answers is None or answers.low <= 0.0:
        return _open(subject, check, f"{why} {words}", (drift.value, drift.low, drift.high))
    measured = Value(drift.value, drift.low, drift.high, "%/min", "slide.drift_per_min", above=True)
    return _told(subject, check, Outcome.PRESENT, words, measured, source, rates.span_ns, rates.steps)


def _leaning(subject: Subject, sign: float, lacking: Finding) -> Finding:
    """Commands too coarse to answer: the typical movement is told where it lies beyond the limit and is taken back."""
    source = capacity(subject)
    creep = None if source is None else creep_of(subject, source)
    limit = subject.limits["slide.drift_per_min"]
    if creep is None or source is None:
        return lacking
    if (
        not creep.undone(sign, subject.limits["slide.undone_share"])
        or min(sign * creep.low, sign * creep.high) <= limit
    ):
        restless = subject.limits["slide.restless_per_min"]
        if creep.restless <= restless or source.point.interval_s > subject.limits["slide.restless_interval_s"]:
            return lacking
        why = (
            f"{lacking.why_not}; in a middling step between readings the capacity moved by {creep.restless:.1f} % a "
            "minute with no command shown: no slide that holds does that"
        )
        moving = _open(subject, lacking.check, why, (creep.restless, creep.restless, creep.restless))
        return replace(moving, unlocked_by=lacking.unlocked_by)
    why = (
        f"{lacking.why_not}; in most of {creep.steps} steps between readings the capacity moved "
        f"{creep.rate:+.2f} % a minute (median) and was brought back: a leak does that, and so can pulses not seen"
    )
    low, high = sorted((sign * creep.low, sign * creep.high))
    found = _open(subject, lacking.check, why, (sign * creep.rate, low, high))
    return replace(found, unlocked_by=lacking.unlocked_by)


def _open(subject: Subject, check: str, why: str, value: tuple[float, float, float]) -> Finding:
    """Cannot tell, with what was measured."""
    limit = subject.limits["slide.drift_per_min"]
    rate, low, high = value
    return replace(cannot_tell(check, why), value=rate, low=low, high=high, unit="%/min", limit=limit, above=True)


def _told(
    subject: Subject,
    check: str,
    outcome: Outcome,
    words: str,
    measured: Value,
    source: Capacity,
    span_ns: tuple[int, int],
    count: int,
) -> Finding:
    cites = rows_of(source.point, *span_ns)
    seen = Seen(span_ns, cites, source.point.interval_s, count, rests_on_commands=True)
    return make_finding(subject, check, outcome, words, measured, seen)


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
    return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)


def _recent(subject: Subject, gaps: Gaps, room: Mask) -> Mask:
    """The stretches of the last hour of holding, none of them further back than a few hours of running."""
    held = np.where(room, gaps.seconds, 0.0)
    left = np.cumsum(held[::-1])[::-1]
    near = ran_since(subject, gaps.begin) <= 3600.0 * subject.limits["slide.drift_reach_h"]
    return np.asarray(room & near & (left <= 60.0 * subject.limits["slide.drift_recent_min"]))


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


@detector("slide.drifts_to_unload", nothing)
def drifts_to_unload(subject: Subject, check: str) -> Finding:
    """Decide whether capacity falls by itself while holding."""
    return _drift(subject, check, -1.0)


@detector("slide.drifts_to_load", nothing)
def drifts_to_load(subject: Subject, check: str) -> Finding:
    """Decide whether capacity rises by itself while holding."""
    return _drift(subject, check, 1.0)
