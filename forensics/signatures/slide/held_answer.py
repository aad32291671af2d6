"""What the last held command says of its path, and how many went alike."""

from __future__ import annotations

from typing import Final

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.slide.course import Slide
from forensics.machine.slide.held import Held
from forensics.machine.slide.windows import covered_s
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import iso
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.finding import Seen, Value, make_finding
from forensics.signatures.slide.reasons import open_with, other_reason

_LEAST: Final = "slide.response_share_min"


def last_held(subject: Subject, slide: Slide, sign: float) -> Held | None:
    """The last held command that tells whether its path moves the slide."""
    least = subject.limits[_LEAST]
    told = [h for h in slide.held[1 if sign > 0 else -1] if h.low > least or h.high < least]
    return told[-1] if told else None


def by_held(subject: Subject, check: str, slide: Slide, sign: float, held: Held) -> Finding | None:
    """What a held command settles; None where pulses after it speak against it or have to speak."""
    limits, word = subject.limits, "load" if sign > 0 else "unload"
    pulses = slide.course.load if sign > 0 else slide.course.unload
    part = slide.gains.response(sign)
    assert pulses is not None  # or it had not been held
    # what is left of the same command after the slide came to its end says nothing more
    own = pulses.end[(pulses.begin <= held.begin_ns) & (pulses.end > held.begin_ns)]
    until_ns = max(held.end_ns, int(np.max(own, initial=0)))
    first, last = (np.maximum(edge, until_ns) for edge in (slide.course.first, slide.course.last))
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
    why = other_reason(subject, slide, (held.begin_ns, held.end_ns), sign) if fails else ""
    if why:
        return open_with(check, words + " " + why, measured)
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
