"""Starts behind a stop under load: trapped oil, told from a slide that did not answer."""

from __future__ import annotations

import numpy as np

from forensics.machine.commanded import acting_seconds
from forensics.machine.commands import Command, read_commands
from forensics.machine.history import starts_before, unseen_run
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Start, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Answer, Outcome, PreviousStop, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, cannot_tell, make_finding
from forensics.signatures.core.needs import started

_LOOK_BACK_S = 600.0
_SAMPLES_A_TRAVEL = 4.0
_SUDDEN = (PreviousStop.TRIP, PreviousStop.POWER_LOSS)


@detector("starts.after_trapped_stop", started)
def after_trapped_stop(subject: Subject, check: str, start: Start) -> Finding:
    """Decide whether the last start came after a stop under load with nothing having unloaded the slide since.

    Trapped oil is a slide that was not asked to unload, or could not be for want of power. One that was asked for its
    whole travel and stands where it stood did not answer: that is another fault. Where an earlier start of the record
    came so, the last start alone excludes nothing.
    """
    if unseen := unseen_run(subject):
        return cannot_tell(check, unseen)
    found = _at_start(subject, check, start)
    if found.outcome is not Outcome.ABSENT:
        return found
    for earlier in reversed(starts_before(subject)):
        if earlier.time_ns >= start.time_ns or earlier.previous_stop not in _SUDDEN:
            continue
        if _at_start(subject, check, earlier).outcome is not Outcome.ABSENT:
            hours = (start.time_ns - earlier.time_ns) / NS / 3600.0
            why = f"the last start came otherwise, but the start {hours:.3g} h before it came after such a stop"
            return cannot_tell(check, why)
    return found


def _at_start(subject: Subject, check: str, start: Start) -> Finding:
    """The answer for one start."""
    before = [stop for stop in subject.stops if stop.time_ns < start.time_ns]
    if not before:
        return cannot_tell(check, "the record shows no stop before the last start")
    stop = before[-1]
    span = (stop.time_ns, start.time_ns)
    if start.previous_stop not in _SUDDEN:
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
    if trapped and start.unloaded is Answer.YES:
        if unloaded_on_the_way(subject, start):
            return cannot_tell(check, f"{said} It had unloaded when its amps were read, but they are too far apart.")
        trapped, said = False, f"{said} The start was unloaded all the same."
    words = f"The stop before was a {start.previous_stop.value.replace('-', ' ')}. {how} {said}"
    outcome = Outcome.PRESENT if trapped else Outcome.ABSENT
    return make_finding(
        subject, check, outcome, words, seen=Seen(span_ns=span, cites=stop.cites, samples=2, rests_on_commands=True)
    )


def unloaded_on_the_way(subject: Subject, start: Start) -> bool:
    """Whether a start after a sudden stop may have begun loaded and unloaded before a sample showed it.

    After a normal stop the slide was brought down beforehand; after a sudden one the start itself unloads it, within
    its travel.
    """
    if start.previous_stop not in _SUDDEN:
        return False
    points = (subject.record.point(role) for role in (Role.SLIDE_POSITION, Role.MOTOR_AMPS, Role.MOTOR_POWER))
    fastest_s = min((point.interval_s for point in points if point is not None), default=float("inf"))
    return bool(fastest_s > subject.profile.times.travel_unload_s / _SAMPLES_A_TRAVEL)


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
