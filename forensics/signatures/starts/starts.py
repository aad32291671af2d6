"""Starts: was the machine unloaded, and did such starts come again or grow. Other checks of starts stand beside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.commanded import acting_seconds
from forensics.machine.commands import read_commands
from forensics.machine.history import starts_before, stops_before, unseen_run
from forensics.machine.start_table import list_starts, unloaded_share, wilson
from forensics.machine.subject import Subject
from forensics.machine.trip_words import quantity_of
from forensics.machine.unloaded import BY_AMPS_AND_LOAD, BY_OWN, BY_POWER, BY_SLIDE, LIMIT
from forensics.model.findings import Finding, Start, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Answer, Outcome, PreviousStop, Role, StopKind
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding, three_way
from forensics.signatures.core.needs import met, started
from forensics.stats.slopes import median_slope

__all__ = ["list_starts", "unloaded_share", "wilson"]

_LOADED_AMPS_SHARE = 0.6
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
    words = _judged_words(start)
    samples = max(start.settled_samples, 2 if start.judged_by == BY_SLIDE else 0)
    seen = Seen(span_ns=(start.earliest_ns, start.settled_to_ns), cites=start.cites, samples=samples)
    finding = make_finding(subject, check, outcome, words, _start_value(start, outcome), seen)
    return replace(finding, basis=_start_basis(subject, start, outcome) or finding.basis)


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
    slide = subject.record.point(Role.SLIDE_POSITION)
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


@detector("starts.loaded_repeatedly", met)
def loaded_repeatedly(subject: Subject, check: str) -> Finding:
    """Decide whether loaded starts are a pattern of the record up to the failure."""
    starts = starts_before(subject)
    loaded = [s for s in starts if s.unloaded is Answer.NO]
    judged = [s for s in starts if s.unloaded is not Answer.CANNOT_TELL]
    if len(judged) < 2:  # noqa: PLR2004 - one start is no repetition
        return cannot_tell(check, f"{len(judged)} of {len(starts)} starts could be judged; two are needed")
    share = len(loaded) / len(judged)
    low, high = wilson(len(loaded), len(judged))
    often = share > subject.limits["starts.loaded_share_max"] and len(loaded) > 1
    outcome = Outcome.PRESENT if often else Outcome.ABSENT
    words = f"{len(loaded)} of {len(judged)} starts that could be judged were loaded (of {len(starts)} in the record)."
    measured = Value(share, low, high, "1", "starts.loaded_share_max", above=True)
    if share > subject.limits["starts.loaded_share_max"] and not often:
        return cannot_tell(check, "one loaded start among few: two are needed for a pattern")
    cites = tuple(cite for s in (loaded or judged)[-5:] for cite in s.cites)
    return make_finding(subject, check, outcome, words, measured, Seen(cites=cites, samples=len(judged)))


@detector("starts.loaded_growing", met)
def loaded_growing(subject: Subject, check: str) -> Finding:
    """Decide whether the settled ratio rises from start to start (Theil-Sen slope with its 95 % interval)."""
    known = [s for s in starts_before(subject) if s.ratio is not None]
    # a ratio from power among those from amps would be a step that the load did not make
    starts = [s for s in known if s.ratio_from == known[-1].ratio_from]
    fewest = subject.limits.count("starts.growing_least", least=2)  # a slope has two ends
    if len(starts) < fewest:
        few = f"{len(starts)} starts with a settled ratio; {fewest} are needed"
        why = next((s.why_not for s in reversed(starts_before(subject)) if s.why_not), "")
        return cannot_tell(check, f"{few} ({why})" if why else few)
    ratios = np.array([s.ratio for s in starts[-30:]], dtype=np.float64)
    slope, low, high = median_slope(np.arange(float(len(ratios))), ratios)
    outcome = three_way(low, high, subject.limits["starts.growing_per_start"], above=True)
    if outcome is Outcome.CANNOT_TELL and slope < subject.limits["starts.growing_per_start"] / 2:
        outcome = Outcome.ABSENT
    measured = Value(slope, low, high, "1/start", "starts.growing_per_start", above=True)
    if outcome is Outcome.CANNOT_TELL:
        return cannot_tell(check, f"slope {slope:+.3f} a start, interval {low:+.3f} to {high:+.3f}")
    words = f"The ratio moves {slope:+.3f} a start over {len(ratios)} starts."
    cites = tuple(cite for s in starts[-5:] for cite in s.cites)
    return make_finding(subject, check, outcome, words, measured, Seen(cites=cites, samples=len(ratios)))


@detector("starts.after_trapped_stop", started)
def after_trapped_stop(subject: Subject, check: str, start: Start) -> Finding:
    """Decide whether the last start came after a stop under load with nothing having unloaded the slide since."""
    if unseen := unseen_run(subject):
        return cannot_tell(check, unseen)
    before = [stop for stop in subject.stops if stop.time_ns < start.time_ns]
    if not before:
        return cannot_tell(check, "the record shows no stop before the last start")
    stop = before[-1]
    span = (stop.time_ns, start.time_ns)
    if start.previous_stop not in (PreviousStop.TRIP, PreviousStop.POWER_LOSS):
        loaded, how = _stopped_loaded(subject, stop)
        if loaded and not _unload_seen(subject, stop):
            why = f"no trip or loss of power is recorded at the stop before, but nothing shows that it unloaded. {how}"
            return cannot_tell(check, why)
        words = "The stop before it went by the sequence."
        return make_finding(subject, check, Outcome.ABSENT, words, seen=Seen(span_ns=span, cites=stop.cites, samples=2))
    loaded, how = _stopped_loaded(subject, stop)
    if loaded is None:
        return cannot_tell(check, how)
    if not loaded:
        return make_finding(subject, check, Outcome.ABSENT, how, seen=Seen(span_ns=span, cites=stop.cites, samples=2))
    unloaded, said = _unloaded_since(subject, stop, start)
    if unloaded is None:
        return cannot_tell(check, said)
    outcome = Outcome.ABSENT if unloaded else Outcome.PRESENT
    words = f"The stop before was a {start.previous_stop.value.replace('-', ' ')}. {how} {said}"
    return make_finding(
        subject, check, outcome, words, seen=Seen(span_ns=span, cites=stop.cites, samples=2, rests_on_commands=True)
    )


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


def _unload_seen(subject: Subject, stop: Stop) -> bool:
    """Whether unloading was commanded in the last minute of the run before a stop."""
    command = read_commands(subject.record, subject.profile).get(Role.UNLOAD_SOLENOID)
    if command is None:
        return False
    begin = np.array([stop.earliest_ns - 60 * NS], dtype=np.int64)
    end = np.array([stop.earliest_ns], dtype=np.int64)
    acting = np.nan_to_num(acting_seconds(command, begin, end))
    return bool(acting[0] > max(2.0, 2.0 * command.interval_s))


def _stopped_loaded(subject: Subject, stop: Stop) -> tuple[bool | None, str]:
    limits, rated = subject.limits, subject.machine.rated_load_amps
    if stop.slide_percent is not None:
        if stop.slide_percent >= limits["starts.slide_loaded_min"]:
            return True, f"It stopped with the slide at {stop.slide_percent:.0f} %."
        if stop.slide_percent <= limits["starts.slide_unloaded_max"]:
            return False, f"It stopped with the slide at {stop.slide_percent:.0f} %."
    if stop.amps_before is not None and rated is not None:
        share = stop.amps_before / rated
        if share > _LOADED_AMPS_SHARE:
            return True, f"It stopped at {100 * share:.0f} % of rated amps."
        if share <= limits["starts.unloaded_ratio_max"] * 0.9:
            return False, f"It stopped at {100 * share:.0f} % of rated amps."
    return None, "neither slide nor amps tell whether the stop before was under load"


def _unloaded_since(subject: Subject, stop: Stop, start: Start) -> tuple[bool | None, str]:
    slide = subject.record.point(Role.SLIDE_POSITION)
    reading = slide.before(start.earliest_ns, 600.0) if slide is not None else None
    if reading is not None:
        if reading.value <= subject.limits["starts.slide_unloaded_max"]:
            return True, f"Before the start the slide stood at {reading.value:.0f} %."
        if reading.value >= subject.limits["starts.slide_loaded_min"]:
            return False, f"Before the start the slide still stood at {reading.value:.0f} %."
    command = read_commands(subject.record, subject.profile).get(Role.UNLOAD_SOLENOID)
    if command is None:
        return None, "no unload_solenoid: whether the slide was unloaded after the stop before is not recorded"
    off_s = (start.time_ns - stop.time_ns) / NS
    if command.known_s(stop.time_ns, start.time_ns) < off_s / 2:
        return None, "the unload command is not recorded between that stop and the start"
    vented_s = command.acting_s(stop.time_ns, start.time_ns)
    enough = vented_s >= subject.profile.times.travel_unload_s
    if not enough and vented_s > subject.profile.times.travel_unload_s / 3:
        return None, f"unload was commanded for {vented_s:.0f} s since: part of its travel"
    return enough, f"Unload was commanded for {vented_s:.0f} s since."
