"""What was seen, done and measured by hand: how each remark bears on the modes.

A witness or a document can make a mode worth asking about. An inspection or a test says in `shows` what it shows; only
one that shows the cause itself confirms, and only with part, author, time and a photograph or document, beside data.
Free text is kept and printed; no rule reads it (evidence that confirms must be documented: ASTM E860, E1188 by title).
"""

from __future__ import annotations

from dataclasses import dataclass

from forensics.case.schema import Observation
from forensics.case.values import local_to_utc
from forensics.hypotheses.evidence import Evidence
from forensics.model.points import NS

BY_HAND = ("inspection", "test")


@dataclass(frozen=True, slots=True)
class Remark:
    """One observation or measurement as evidence.

    Attributes
    ----------
    id
        ``observation N`` or ``measurement N``, numbered from 1 in the order of the case file.
    weight
        Word of the scale of weights.
    firm
        False for what a witness or a document says, and for what is not said to show anything: it never lifts a grade
        above possible.
    shows_cause
        Whether it shows the cause itself and so can confirm.
    not_shown
        What is missing for it to confirm, in words; empty where it confirms or does not claim to.
    """

    id: str
    mode: str
    supports: bool
    weight: str
    firm: bool
    shows_cause: bool
    basis: str
    not_shown: str = ""


def observed(evidence: Evidence) -> tuple[Remark, ...]:
    """Every observation of the case as it bears on the modes."""
    return tuple(
        remark
        for number, observation in enumerate(evidence.observations, 1)
        for remark in _observed(f"observation {number}", observation, evidence)
    )


def _observed(name: str, observation: Observation, evidence: Evidence) -> list[Remark]:
    if observation.shows == "nothing":
        return []
    by_hand = observation.kind in BY_HAND
    early = _before_window(observation, evidence)
    basis = f"{observation.kind} by {observation.by or 'an unnamed author'}"
    if by_hand and early:
        basis += " (made before the period that is judged)"
    firm = by_hand and not early and (bool(observation.shows) or not observation.speaks_for)
    missing = _missing(name, observation, by_hand=by_hand and not early)
    return [
        Remark(
            id=name,
            mode=str(mode),
            supports=observation.speaks_for,
            weight=_weight(observation, firm=firm, by_hand=by_hand and not early),
            firm=firm,
            shows_cause=firm and observation.shows == "cause" and not missing,
            basis=basis,
            not_shown=missing,
        )
        for mode in observation.bears_on
        if str(mode) in evidence.modes.by_id
    ]


def _weight(observation: Observation, *, firm: bool, by_hand: bool) -> str:
    if not by_hand:
        return "weak"
    if firm and observation.shows != "damage":
        return "strong"
    return "moderate"


def _missing(name: str, observation: Observation, *, by_hand: bool) -> str:
    """What keeps an inspection or test that speaks for a mode from confirming it."""
    if not by_hand or not observation.speaks_for or observation.shows == "damage":
        return ""
    if not observation.shows:
        return f'{name} does not say what it shows: add shows = "cause", "damage", "in-order" or "nothing"'
    asked = {
        "part": observation.part,
        "by": observation.by,
        "time": observation.time is not None,
        "photo or document": observation.photo or observation.document,
    }
    wanting = [key for key, given in asked.items() if not given]
    return f"{name} shows the cause, but confirms only with {', '.join(wanting)}" if wanting else ""


def _before_window(observation: Observation, evidence: Evidence) -> bool:
    if observation.time is None:
        return False
    time_ns = round(local_to_utc(observation.time, evidence.time_zone).timestamp() * NS)
    return time_ns < evidence.window.start_ns
