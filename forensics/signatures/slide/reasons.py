"""Why a movement that is missing need not be a lost response, and the answer that leaves it open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.duty.capacity import lift
from forensics.machine.slide.course import Slide
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.catalogue import answers_of
from forensics.signatures.core.finding import Value, cannot_tell
from forensics.signatures.slide.looking import command_role


def open_with(check: str, why: str, measured: Value) -> Finding:
    """Cannot tell, with what was measured."""
    return replace(
        cannot_tell(check, why), value=measured.value, low=measured.low, high=measured.high, unit=measured.unit,
        limit=measured.limit, limit_name=measured.limit_name, above=measured.above,
    )  # fmt: skip


def other_reason(subject: Subject, slide: Slide, span_ns: tuple[int, int], sign: float) -> str:
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
