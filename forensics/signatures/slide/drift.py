"""Does the slide move by itself: drift while holding, to load or to unload."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from forensics.machine.citations import rows_of
from forensics.machine.slide.course import Slide
from forensics.machine.slide.estimates import Estimate, Part
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding, three_way
from forensics.signatures.slide.looking import command_role, identified, not_by_time, when

_LIMIT: Final = "slide.drift_per_min"


def _drift(subject: Subject, check: str, slide: Slide, sign: float) -> Finding:
    part = slide.gains.drift
    missing = [r.value for r in (command_role(1.0), command_role(-1.0)) if subject.record.switch(r) is None]
    if missing:
        return cannot_tell(check, f"without {' and '.join(missing)} its pulses look like a drift")
    if why := not_by_time(slide, 1.0, -1.0):
        return cannot_tell(check, why)
    if part is None:
        return cannot_tell(check, "no running with room to move in which a drift is told from what pulses move")
    end = part.end.turned(sign)
    words = _words(slide, part, end, sign)
    if not slide.lift_known:
        return _open(subject, check, words + " The current moves with lift too, which is not logged", end)
    if part.minutes < subject.limits["slide.drift_minutes"]:
        return _open(subject, check, words + " That is too short a time to tell a drift from chance", end)
    slowest_s = max(
        (s.interval_s for r in (1.0, -1.0) if (s := subject.record.switch(command_role(r))) is not None), default=0.0
    )
    if slowest_s > subject.limits["slide.drift_slowest_s"]:
        return _open(subject, check, f"{words} Commands every {slowest_s:g} s miss most pulses that move it", end)
    outcome = three_way(end.low, end.high, subject.limits[_LIMIT], above=True)
    if outcome is Outcome.CANNOT_TELL:
        return _open(subject, check, words + " Its interval holds the limit", end)
    unseen = slide.gains.unseen
    if (
        outcome is Outcome.ABSENT
        and end.high > -subject.limits[_LIMIT]
        and unseen > subject.limits["slide.unseen_share"]
    ):
        why = (
            f"{100.0 * unseen:.0f} % of its way the slide went while no command was seen: pulses that the samples miss"
        )
        return _open(subject, check, f"{words} But {why} may hold it against a leak", end)
    seen = Seen(
        part.span_ns,
        rows_of(slide.source.point, *part.span_ns),
        slide.source.point.interval_s,
        part.windows,
        rests_on_commands=True,
    )
    measured = Value(end.value, end.low, end.high, "%/min", _LIMIT, above=True)
    return make_finding(subject, check, outcome, words, measured, seen)


def _words(slide: Slide, part: Part, end: Estimate, sign: float) -> str:
    word = "load" if sign > 0 else "unload"
    words = (
        f"With what load and unload moved taken out, the slide drifts {end.value:+.2f} % of travel a minute towards "
        f"{word} ({end.low:+.2f} to {end.high:+.2f}), over {part.minutes:.0f} min in {part.windows} windows."
    )
    if part.before is not None and part.changed is not None:
        before = part.before.turned(sign)
        words += f" Before {when(part.changed)} it was {before.value:+.2f} ({before.low:+.2f} to {before.high:+.2f})."
    with_oil = slide.gains.with_oil
    if with_oil is not None and end.low > 0 and with_oil.turned(sign).low > 0:
        words += (
            f" It grows with the oil pressure difference, by {with_oil.turned(sign).value:.2f} % a minute for each "
            "100 kPa, as a worn piston seal does."
        )
    return words


def _open(subject: Subject, check: str, why: str, end: Estimate) -> Finding:
    """Cannot tell, with what was measured."""
    limit = subject.limits[_LIMIT]
    return replace(
        cannot_tell(check, why), value=end.value, low=end.low, high=end.high, unit="%/min", limit=limit,
        limit_name=_LIMIT, above=True,
    )  # fmt: skip


@detector("slide.drifts_to_unload", identified)
def drifts_to_unload(subject: Subject, check: str, slide: Slide) -> Finding:
    """Decide whether capacity falls by itself while holding."""
    return _drift(subject, check, slide, -1.0)


@detector("slide.drifts_to_load", identified)
def drifts_to_load(subject: Subject, check: str, slide: Slide) -> Finding:
    """Decide whether capacity rises by itself while holding."""
    return _drift(subject, check, slide, 1.0)
