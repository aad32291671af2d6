"""Starts behind a stop under load: trapped oil, told from a slide that did not answer."""

from __future__ import annotations

import numpy as np

from forensics.machine.commanded import acting_seconds
from forensics.machine.commands import Command, read_commands
from forensics.machine.history import unseen_run
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Start, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, PreviousStop, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, cannot_tell, make_finding
from forensics.signatures.core.needs import started

_LOOK_BACK_S = 600.0


@detector("starts.after_trapped_stop", started)
def after_trapped_stop(subject: Subject, check: str, start: Start) -> Finding:
    """Decide whether the last start came after a stop under load with nothing having unloaded the slide since.

    Trapped oil is a slide that was not asked to unload, or could not be for want of power. One that was asked for its
    whole travel and stands where it stood did not answer: that is another fault.
    """
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
    trapped, said = _trapped(subject, stop, start)
    if trapped is None:
        return cannot_tell(check, said)
    words = f"The stop before was a {start.previous_stop.value.replace('-', ' ')}. {how} {said}"
    outcome = Outcome.PRESENT if trapped else Outcome.ABSENT
    return make_finding(
        subject, check, outcome, words, seen=Seen(span_ns=span, cites=stop.cites, samples=2, rests_on_commands=True)
    )


def _trapped(subject: Subject, stop: Stop, start: Start) -> tuple[bool | None, str]:
    """Whether the slide was left loaded because nothing asked it to unload, and in words what tells."""
    limits = subject.limits
    stood = _slide_before(subject, start)
    told = "" if stood is None else f"Before the start the slide stood at {stood:.0f} %."
    if stood is not None and stood <= limits["starts.slide_unloaded_max"]:
        return False, told
    still = stood is not None and stood >= limits["starts.slide_loaded_min"]
    vented = _vented_s(subject, stop, start)
    if vented is None:
        without_power = subject.profile.polarity.unload_solenoid.startswith("energise")
        if still and start.previous_stop is PreviousStop.POWER_LOSS and without_power:
            return True, f"{told} Without power the unload valve stayed shut."
        return None, f"{told} Whether unload was commanded after that stop is not recorded (unload_solenoid).".strip()
    least_s, most_s = vented
    travel_s = subject.profile.times.travel_unload_s
    said = f"{told} Unload was commanded for {least_s:.0f} to {most_s:.0f} s since.".strip()
    if least_s >= travel_s:
        return False, f"{said} The slide did not answer: that is no trapped oil." if still else said
    if most_s >= travel_s / 3:
        return None, f"{said} That may be part of its travel."
    if still and _stood_still(subject, start, stood):
        return None, f"{said} In the run that followed unload was commanded for its travel and the slide did not move."
    return True, said


def _vented_s(subject: Subject, stop: Stop, start: Start) -> tuple[float, float] | None:
    """Least and most that unload was commanded between a stop and the next start, s; None where not recorded."""
    command = read_commands(subject.record, subject.profile).get(Role.UNLOAD_SOLENOID)
    if command is None:
        return None
    off_s = (start.time_ns - stop.time_ns) / NS
    known_s = command.known_s(stop.time_ns, start.time_ns)
    if known_s < off_s / 2:
        return None
    least_s, most_s = command.acting_bounds_s(stop.time_ns, start.time_ns)
    step_s = min(command.interval_s, off_s)
    # what was not recorded may have been either; of samples far apart a short command may have fallen between two
    return least_s, most_s + step_s + max(0.0, off_s - known_s - step_s)


def _stood_still(subject: Subject, start: Start, stood: float | None) -> bool:
    """Whether the slide stood where it was through the travel time of unloading commanded after the start."""
    command = read_commands(subject.record, subject.profile).get(Role.UNLOAD_SOLENOID)
    slide = subject.record.point(Role.SLIDE_POSITION)
    if command is None or slide is None or stood is None:
        return False
    travel_s = subject.profile.times.travel_unload_s
    until = start.latest_ns + round(4 * travel_s * NS)
    part = slide.usable.between(start.earliest_ns, until)
    if not len(part) or _acted_s(command, start.latest_ns, int(part.t[-1])) < travel_s:
        return False
    return bool(np.all(np.abs(part.v - stood) <= subject.limits["starts.slide_still"]))


def _acted_s(command: Command, begin_ns: int, end_ns: int) -> float:
    return max(0.0, command.acting_s(begin_ns, end_ns) - command.interval_s)


def _slide_before(subject: Subject, start: Start) -> float | None:
    slide = subject.record.point(Role.SLIDE_POSITION)
    reading = slide.before(start.earliest_ns, _LOOK_BACK_S) if slide is not None else None
    return None if reading is None else reading.value


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
        said = f"It stopped with the slide at {stop.slide_percent:.0f} %."
        if stop.slide_percent >= limits["starts.slide_loaded_min"]:
            return True, said
        if stop.slide_percent <= limits["starts.slide_unloaded_max"]:
            return False, said
    if stop.amps_before is not None and rated is not None:
        share = stop.amps_before / rated
        said = f"It stopped at {100 * share:.0f} % of rated amps."
        if share > limits["starts.stopped_loaded_amps"]:
            return True, said
        if share <= limits["starts.unloaded_ratio_max"] * 0.9:
            return False, said
    return None, "neither slide nor amps tell whether the stop before was under load"
