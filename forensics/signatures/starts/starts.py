"""Starts: was the machine unloaded, and did such starts come again or grow. Other checks of starts stand beside."""

from __future__ import annotations

from dataclasses import replace

from forensics.machine.history import stops_before, unseen_run
from forensics.machine.starts.unloaded import BY_AMPS_AND_LOAD, BY_OWN, BY_POWER, BY_SLIDE, LIMIT
from forensics.machine.subject import Subject
from forensics.machine.trip_words import quantity_of
from forensics.model.findings import Finding, Start, Stop
from forensics.model.vocabulary import Answer, Outcome, Role, StopKind
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import started
from forensics.signatures.starts.trapped import unloaded_on_the_way

_RATIO_BY_POWER = "Amps over rated that the motor's circuit draws at its power:"


@detector("starts.loaded_at_failure", started)
def loaded_at_failure(subject: Subject, check: str, start: Start) -> Finding:
    """Decide whether the start that led into the failure, or the last before it, was loaded."""
    if start.unloaded is Answer.CANNOT_TELL:
        why = start.why_not or "neither slide nor settled amps tell"
        return cannot_tell(check, why, unlocked_by=_unlock(why))
    outcome = Outcome.PRESENT if start.unloaded is Answer.NO else Outcome.ABSENT
    if outcome is Outcome.ABSENT and (why := unseen_run(subject) or _stood_loaded(subject, start)):
        return cannot_tell(check, why)
    if outcome is Outcome.ABSENT and unloaded_on_the_way(subject, start):
        return cannot_tell(check, "it followed a sudden stop, and its samples are too far apart to show how it began")
    words = _judged_words(start)
    samples = max(start.settled_samples, 2 if start.judged_by == BY_SLIDE else 0)
    seen = Seen(span_ns=(start.earliest_ns, start.settled_to_ns), cites=start.cites, samples=samples)
    finding = make_finding(subject, check, outcome, words, _start_value(start, outcome), seen)
    least = finding.limit if outcome is Outcome.ABSENT else None
    return replace(finding, basis=_start_basis(subject, start, outcome) or finding.basis, detectable=least)


def _start_basis(subject: Subject, start: Start, outcome: Outcome) -> str:
    """What a start was held against, where that is more than one limit."""
    limits = subject.limits
    if start.judged_by == BY_OWN:
        return limits.basis("starts.own_above" if outcome is Outcome.PRESENT else "starts.own_alike")
    if start.judged_by in (BY_POWER, BY_AMPS_AND_LOAD):
        return f"{limits.basis(LIMIT)}; its shaft load by the equivalent circuit of IEEE 112 from the no-load amps"
    return ""


def _judged_words(start: Start) -> str:
    """In words, what judged a start, and its ratio with the shaft load that it stands for where that is known."""
    said = f"Judged by {start.judged_by}" + (f": {start.judged_why}." if start.judged_why else ".")
    if start.ratio is not None:
        said += f" {_RATIO_BY_POWER if start.ratio_from else 'Settled amps over rated'} {start.ratio:.2f}."
    if start.shaft_load is not None:
        low, high = start.shaft_load
        said += f" By the motor's circuit the shaft load was {low:.2f} to {high:.2f} of rated."
    return said


def _unlock(why_not: str) -> str:
    """What of the nameplate would let a start be judged, of what a reason names."""
    names = [name for name in ("no_load_amps", "rated_load_amps", "supply_volts") if f"no {name}" in why_not]
    return f"give {', '.join(names)} of the nameplate" if names else ""


def _stood_loaded(subject: Subject, start: Start) -> str:
    """In words, that the slide stood loaded as the motor was switched on, whatever the start brought it to after."""
    slide = subject.record.fastest(Role.SLIDE_POSITION)
    reading = slide.before(start.earliest_ns, 600.0) if slide is not None else None
    if reading is None or reading.value < subject.limits["starts.slide_loaded_min"]:
        return ""
    return f"the slide stood at {reading.value:.0f} % before the start and was unloaded in the course of it"


def _start_value(start: Start, outcome: Outcome) -> Value:
    if start.judged_by == BY_SLIDE and start.slide_percent is not None:
        limit = "starts.slide_loaded_min" if outcome is Outcome.PRESENT else "starts.slide_unloaded_max"
        slide = start.slide_percent
        return Value.within(slide, 2.0, "%", limit, above=True)
    if start.judged_by in (BY_OWN, BY_POWER):
        # held against the machine's own starts or by power: the ratio is told, its limit is not what decided
        return Value(start.ratio, start.low, start.high, "1")
    return Value(start.ratio, start.low, start.high, "1", "starts.unloaded_ratio_max", above=True)


@detector("starts.tripped_so_before", started)
def tripped_so_before(subject: Subject, check: str, last: Start) -> Finding:
    """Decide whether what tripped the machine at the failure had tripped it before, in a run that began unloaded."""
    if unseen := unseen_run(subject):
        return cannot_tell(check, unseen)
    trips = [stop for stop in stops_before(subject) if stop.kind is StopKind.TRIP]
    if not trips or trips[-1].time_ns < last.time_ns:
        return cannot_tell(check, "the record shows no trip at the failure")
    named = quantity_of(trips[-1].cause_text)
    if named is None:
        return cannot_tell(check, "no text says what tripped the machine")
    alike = [(stop, _start_of(subject, stop)) for stop in trips[:-1] if quantity_of(stop.cause_text) is named]
    hits = [(stop, start) for stop, start in alike if start is not None and start.unloaded is Answer.YES]
    unknown = sum(start is None or start.unloaded is Answer.CANNOT_TELL for _, start in alike)
    if unknown and not hits:
        return cannot_tell(check, f"how {unknown} of {len(alike)} earlier runs that tripped so began is not known")
    stop, start = hits[-1] if hits else (trips[-1], last)
    words = f"Of {len(alike)} earlier trips on {named.title} {len(hits)} ended a run that had begun unloaded."
    seen = Seen((start.earliest_ns, stop.latest_ns), (*start.cites, *stop.cites), samples=2)
    return make_finding(subject, check, Outcome.PRESENT if hits else Outcome.ABSENT, words, seen=seen)


def _start_of(subject: Subject, stop: Stop) -> Start | None:
    """The start of the run that a stop ended; None where the record begins inside it."""
    return next((start for start in reversed(subject.starts) if start.time_ns < stop.time_ns), None)
