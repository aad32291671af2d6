"""Does the slide move as commanded: no response, a slow one, one against the profile's sense."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.duty.capacity import lift
from forensics.machine.slide.course import Slide
from forensics.machine.slide.estimates import Part
from forensics.machine.slide.held import Held
from forensics.machine.slide.windows import covered_s
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS, iso
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.catalogue import answers_of
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.slide.looking import command_role, identified, not_by_time, when
from forensics.signatures.slide.standing import stood_unmoved

_LEAST: Final = "slide.response_share_min"
_SLOW: Final = "slide.response_share_slow"


def _part(slide: Slide, sign: float) -> Part | None:
    if not_by_time(slide, sign):
        return None
    return slide.gains.load if sign > 0 else slide.gains.unload


def _usual(subject: Subject, slide: Slide, sign: float) -> tuple[float, str]:
    """Rate that is usual in a direction, %/min: its own before a change, else that of the profile's travel time."""
    part = _part(slide, sign)
    profiled = abs(slide.course.usual[0 if sign > 0 else 1])
    if part is not None and part.before is not None:
        before = part.before.turned(sign)
        if before.low > subject.limits[_LEAST] * profiled:
            return before.value, f"before {when(part.changed)} it was {before.value:.0f}" if part.changed else ""
    return profiled, f"the profile's travel time gives {profiled:.0f}"


def _seen(slide: Slide, part: Part) -> Seen:
    cites = rows_of(slide.source.point, *part.span_ns)
    return Seen(part.span_ns, cites, slide.source.point.interval_s, part.windows, rests_on_commands=True)


def _no_response(subject: Subject, check: str, slide: Slide, sign: float) -> Finding:
    held = _last_held(subject, slide, sign)
    part = slide.gains.response(sign)
    if held is not None:
        settled = _by_held(subject, check, slide, sign, held)
        if settled is not None:
            return settled
    if why := not_by_time(slide, sign):
        return cannot_tell(check, why)
    stood = _by_stand(subject, check, slide, sign)
    answered_since = held is not None and held.low > subject.limits[_LEAST]
    if stood is not None and not (answered_since and held is not None and held.end_ns > stood[1]):
        return stood[0]
    if part is None:
        word = "load" if sign > 0 else "unload"
        return cannot_tell(check, f"{word} was not seen commanded with room to move, or too seldom to tell")
    found = _at_pulses(subject, check, slide, sign, part)
    answered = held is not None and held.low > subject.limits[_LEAST]
    if found.outcome is Outcome.PRESENT and answered and held is not None and held.end_ns > part.span_ns[0]:
        why = f"But at {iso(held.begin_ns)} a held command moved it by {held.moved:.0f} %: it is not without response"
        return replace(
            cannot_tell(check, why), value=found.value, low=found.low, high=found.high, unit=found.unit,
            limit=found.limit, limit_name=found.limit_name, above=found.above,
        )  # fmt: skip
    return found


def _last_held(subject: Subject, slide: Slide, sign: float) -> Held | None:
    """The last held command that tells whether its path moves the slide."""
    least = subject.limits[_LEAST]
    told = [h for h in slide.held[1 if sign > 0 else -1] if h.low > least or h.high < least]
    return told[-1] if told else None


def _by_held(subject: Subject, check: str, slide: Slide, sign: float, held: Held) -> Finding | None:
    """What a held command settles; None where pulses after it speak against it or have to speak."""
    limits, word = subject.limits, "load" if sign > 0 else "unload"
    pulses = slide.course.load if sign > 0 else slide.course.unload
    part = slide.gains.response(sign)
    assert pulses is not None  # or it had not been held
    first, last = (np.maximum(edge, held.end_ns) for edge in (slide.course.first, slide.course.last))
    since = float(np.sum(covered_s((pulses.begin, pulses.end), first, last)))
    fails = held.high < limits[_LEAST]
    answers_since = fails and part is not None and part.end.turned(sign).low > 0.0
    if since >= limits["slide.block_acting_s"] and (answers_since or not fails):
        return None
    words = (
        f"{word} held for {held.seconds:.0f} s at {iso(held.begin_ns)} moved the capacity by {held.moved:+.0f} % of "
        f"travel as commanded: {held.low:.2f} to {held.high:.2f} of the rate that the profile's travel time gives."
    )
    measured = Value(held.low, None, None, "1", _LEAST, above=False)
    if np.isfinite(held.high):
        measured = Value((held.low + held.high) / 2.0, held.low, held.high, "1", _LEAST, above=False)
    why = _other_reason(subject, slide, (held.begin_ns, held.end_ns), sign) if fails else ""
    if why:
        return _open(check, words + " " + why, measured)
    span = held.begin_ns, held.end_ns
    count, first_ns = _alike(subject, slide, sign, held)
    alike = (first_ns, span[1])
    if count > 1:
        words += f" Since {iso(first_ns)} {count} commands went alike."
    # that nothing moved is one event a command; a movement is seen in every reading of it
    many = count if fails else max(count, int(held.seconds / max(slide.source.point.interval_s, 1.0)))
    seen = Seen(alike, rows_of(slide.source.point, *span), slide.source.point.interval_s, many, rests_on_commands=True)
    return make_finding(subject, check, Outcome.PRESENT if fails else Outcome.ABSENT, words, measured, seen)


def _alike(subject: Subject, slide: Slide, sign: float, held: Held) -> tuple[int, int]:
    """How many commands went as the last held one did, up to it, and since when.

    Held commands one after the other, and for one without response the spells of the stand around it: each was its
    own trial.
    """
    least = subject.limits[_LEAST]
    fails, count, first_ns = held.high < least, 0, held.begin_ns
    for one in reversed(slide.held[1 if sign > 0 else -1]):
        if one.begin_ns > held.begin_ns:
            continue
        if not (one.high < least if fails else one.low > least):
            break
        count, first_ns = count + 1, one.begin_ns
    stand = slide.stands[1 if sign > 0 else -1]
    if fails and stand is not None and stand.share(held_against=False)[1] < least:
        # a stand goes on to the last command: what lies before it had its own answer
        count, first_ns = count + stand.spells, min(first_ns, stand.span_ns[0])
    return count, first_ns


def _at_pulses(subject: Subject, check: str, slide: Slide, sign: float, part: Part) -> Finding:
    word = "load" if sign > 0 else "unload"
    usual, said = _usual(subject, slide, sign)
    limit = subject.limits[_LEAST] * usual
    end = part.end.turned(sign)
    words = (
        f"{word} moves the capacity by {end.value:+.0f} % of travel a minute of command as commanded "
        f"({end.low:.0f} to {end.high:.0f}), over {60.0 * part.minutes:.0f} s of command in {part.windows} windows; "
        f"{said}."
    )
    measured = Value(end.value, end.low, end.high, "%/min", _LEAST, above=False, limit=limit)
    if end.high < limit:
        why = _other_reason(subject, slide, part.span_ns, sign)
        against = end.high < -subject.limits[_LEAST] * abs(slide.course.usual[0 if sign > 0 else 1])
        if not why and against and not slide.source.by_slide:
            why = "The current moved against the command: not by the slide alone"
        near = slide.gains.load_at_pulses if sign > 0 else slide.gains.unload_at_pulses
        if not why and not slide.gains.settled and near is None:
            why = "It was commanded nearly all the time: whether it held against a leak is not known"
        if why:
            return _open(check, words + " " + why, measured)
        return make_finding(subject, check, Outcome.PRESENT, words, measured, _seen(slide, part))
    if end.low <= limit:
        return _open(check, words + " Its interval holds the limit", measured)
    other = slide.gains.response(-sign)
    if other is not None and other.changed is not None and part.span_ns[1] <= other.changed.at_ns:
        opposite = "unload" if sign > 0 else "load"
        why = f"{word} was not commanded again after {opposite} changed its response at {when(other.changed)}"
        return _open(check, f"{words} But {why}", measured)
    near = slide.gains.load_at_pulses if sign > 0 else slide.gains.unload_at_pulses
    late = _lately(subject, slide, sign, limit) if slide.gains.settled or near is None else ""
    if late:
        return _open(check, f"{words} {late}", measured)
    return make_finding(subject, check, Outcome.ABSENT, words, measured, _seen(slide, part))


def _by_stand(subject: Subject, check: str, slide: Slide, sign: float) -> tuple[Finding, int] | None:
    """The finding of a slide that stood while it was commanded, and the end of that; None where none is sure."""
    stand = stood_unmoved(subject, slide, 1 if sign > 0 else -1)
    if stand is None or _other_reason(subject, slide, stand.span_ns, sign):
        return None
    word, begun = "load" if sign > 0 else "unload", iso(stand.span_ns[0])
    low, high = stand.share(held_against=False)
    words = (
        f"From {begun} to {iso(stand.span_ns[1])} {word} was commanded in {stand.spells} spells, {stand.seconds:.0f} s "
        f"at the least, worth {stand.worth:.0f} % of travel at the rate that the profile's travel time gives; the "
        f"capacity moved by {stand.moved:+.0f} % as commanded, between {stand.level[0]:.0f} and {stand.level[1]:.0f} %."
    )
    measured = Value((low + high) / 2.0, low, high, "1", _LEAST, above=False)
    seen = Seen(
        stand.span_ns, rows_of(slide.source.point, *stand.span_ns), slide.source.point.interval_s, stand.spells,
        rests_on_commands=True,
    )  # fmt: skip
    return make_finding(subject, check, Outcome.PRESENT, words, measured, seen), stand.span_ns[1]


def _open(check: str, why: str, measured: Value) -> Finding:
    """Cannot tell, with what was measured."""
    return replace(
        cannot_tell(check, why), value=measured.value, low=measured.low, high=measured.high, unit=measured.unit,
        limit=measured.limit, limit_name=measured.limit_name, above=measured.above,
    )  # fmt: skip


def _other_reason(subject: Subject, slide: Slide, span_ns: tuple[int, int], sign: float) -> str:
    """Why a missing movement need not mean that the command found no response; empty where nothing else explains it."""
    other = command_role(-sign)
    if subject.record.switch(other) is None:
        return f"Without {other.value} a counter-command is not excluded"
    if sign > 0:
        known = lift(subject, np.array([(span_ns[0] + span_ns[1]) // 2, span_ns[1]]))
        if not np.all(known > subject.limits["slide.least_lift_kpa"]):
            return "The lift that drives the oil was low or is not logged"
    if slide.source.by_slide:
        return ""
    if _outcome(subject, "electrical.current_spikes_before_trip") is Outcome.PRESENT:
        return "The current spiked before the stop: something other than the slide moved it"
    if sign > 0 and _outcome(subject, "refrigerant.recirculation") is Outcome.PRESENT:
        return "Gas that recirculates keeps the current from following"
    return ""


def _outcome(subject: Subject, check: str) -> Outcome:
    return answers_of(subject, check)[0].outcome


def _lately(subject: Subject, slide: Slide, sign: float, limit: float) -> str:
    """Why the last commands say otherwise than the rest; empty where they moved the slide as well, or are too few."""
    course = slide.course
    pulses = course.load if sign > 0 else course.unload
    if pulses is None or not len(pulses.begin) or not len(course.last):
        return ""
    until = int(course.last[-1])
    running = np.searchsorted(course.first, pulses.begin, side="right") - 1
    inside = (running >= 0) & (pulses.begin < course.last[np.maximum(running, 0)])
    begin, end = pulses.begin[inside], np.minimum(pulses.end[inside], until)
    acting = np.cumsum(((end - begin) / NS)[::-1])[::-1]
    enough = np.flatnonzero(acting >= subject.limits["slide.block_acting_s"])
    if not len(enough):
        return ""
    first = max(int(begin[enough[-1]]) - round(pulses.interval_s * NS), int(course.first[-1]))
    part = (course.t >= first) & (course.t <= until)
    v = sign * course.v[part]
    if len(v) < 3 or (until - first) / NS > subject.limits["slide.late_s"]:  # noqa: PLR2004 - nothing to compare
        return ""
    reached = course.high_end - 2 * course.margin if sign > 0 else -(course.low_end + 2 * course.margin)
    at_end = float(np.max(v)) >= reached
    moved = float(np.max(v) - v[0])
    if at_end or moved > limit * float(acting[enough[-1]]) / 60.0:
        return ""
    return f"Over the last {acting[enough[-1]]:.0f} s of command it moved by {moved:.0f} % only"


@detector("slide.no_response_to_unload", identified)
def no_response_to_unload(subject: Subject, check: str, slide: Slide) -> Finding:
    """Decide whether the slide, standing loaded, fails to move when unload is commanded."""
    return _no_response(subject, check, slide, -1.0)


@detector("slide.no_response_to_load", identified)
def no_response_to_load(subject: Subject, check: str, slide: Slide) -> Finding:
    """Decide whether the slide, standing below full, fails to move when load is commanded."""
    return _no_response(subject, check, slide, 1.0)


@detector("slide.responds_slowly", identified)
def responds_slowly(subject: Subject, check: str, slide: Slide) -> Finding:
    """Decide whether the slide moves, but at well under its own usual rate, in either direction."""
    least, slow = subject.limits[_LEAST], subject.limits[_SLOW]
    told: list[tuple[float, Outcome, str, Value, Part]] = []
    for sign, word in ((1.0, "load"), (-1.0, "unload")):
        part = _part(slide, sign)
        if part is None:
            continue
        usual, said = _usual(subject, slide, sign)
        end = part.end.turned(sign)
        own = part.before is not None
        outcome = Outcome.CANNOT_TELL
        if end.low > slow * usual or end.high < least * usual or (not own and end.low > least * usual):
            outcome = Outcome.ABSENT
        elif own and end.low > least * usual and end.high < slow * usual:
            outcome = Outcome.PRESENT
        words = (
            f"On {word} the capacity moves by {end.value:.0f} % of travel a minute of command ({end.low:.0f} to "
            f"{end.high:.0f}); {said}."
        )
        measured = Value(end.value, end.low, end.high, "%/min", _SLOW, above=False, limit=slow * usual)
        told.append((end.value / usual, outcome, words, measured, part))
    if not told:
        return cannot_tell(check, "too few commands with room to move to compare with its own earlier rate")
    for wanted in (Outcome.PRESENT, Outcome.CANNOT_TELL, Outcome.ABSENT):
        of_kind = [x for x in told if x[1] is wanted]
        if of_kind:
            break
    _, outcome, words, measured, part = min(of_kind, key=lambda x: x[0])
    if outcome is Outcome.CANNOT_TELL:
        return _open(check, words + " Its interval holds the limit", measured)
    missing = [r.value for r in (command_role(1.0), command_role(-1.0)) if subject.record.switch(r) is None]
    if outcome is Outcome.ABSENT and missing:
        return _open(check, f"{words} The other direction is not seen without {' and '.join(missing)}", measured)
    return make_finding(subject, check, outcome, words, measured, _seen(slide, part))


@detector("slide.polarity_contradicted", identified)
def polarity_contradicted(subject: Subject, check: str, slide: Slide) -> Finding:
    """Decide whether the capacity moves against the profile's sense of the commands."""
    parts = [(s, p) for s in (1.0, -1.0) if (p := _part(slide, s)) is not None]
    if not parts:
        return cannot_tell(check, "no command was seen to act with room to move")
    least = subject.limits[_LEAST]
    shares = [(p.end.turned(s), least * abs(slide.course.usual[0 if s > 0 else 1]), p) for s, p in parts]
    words = "; ".join(f"{e.value:+.0f} % of travel a minute ({e.low:.0f} to {e.high:.0f})" for e, _, _ in shares)
    words += " in the profile's sense."
    end, _, part = shares[0]
    measured = Value(end.value, end.low, end.high, "%/min", "", above=None)
    if all(e.high < -limit for e, limit, _ in shares):
        return make_finding(subject, check, Outcome.PRESENT, words, measured, _seen(slide, part))
    if any(e.low > limit for e, limit, _ in shares) and not any(e.high < -limit for e, limit, _ in shares):
        return make_finding(subject, check, Outcome.ABSENT, words, measured, _seen(slide, part))
    return cannot_tell(check, "the capacity hardly follows the commands either way: " + words)
