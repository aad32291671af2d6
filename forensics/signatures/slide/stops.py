"""Where the slide stands when the motor stops, and whether that is what the profile asks for."""

from __future__ import annotations

from forensics.machine.citations import rows_of_each
from forensics.machine.commands import read_commands
from forensics.machine.history import stops_before
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Stop
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Answer, Outcome, Recorded, Role, StopKind
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import met

_LATEST = 5
_AMPS_LONGEST_S = 5.0


def unload_was_asked(subject: Subject, stop: Stop) -> bool | None:
    """Whether unload was commanded at a stop, for as long as the profile asks for, before or after the motor went off.

    None where the command or its state at the stop is not known. A stop at which it was not (a trip, power off) says
    nothing of a slide that stayed loaded; where it was and the slide stayed, nothing trapped it.
    """
    command = read_commands(subject.record, subject.profile).get(Role.UNLOAD_SOLENOID)
    if command is None:
        return None
    times = subject.profile.times
    before_ns, after_ns = (round(max(s, 1.0) * NS) for s in (times.unload_before_stop_s, times.unload_after_stop_s))
    begin, end = stop.earliest_ns - 2 * before_ns, stop.latest_ns + after_ns
    if command.known_s(begin, end) < 0.9 * (end - begin) / NS:
        return None
    asked = [s for s in (times.unload_before_stop_s, times.unload_after_stop_s) if s > 0]
    return command.acting_s(begin, end) >= 0.5 * min(asked, default=1.0)


@detector("slide.loaded_at_stop", met)
def loaded_at_stop(subject: Subject, check: str) -> Finding:
    """Decide whether the slide stood loaded at the last normal stops though the profile unloads before them."""
    stops = [s for s in stops_before(subject) if s.kind is StopKind.NORMAL and s.in_window and _surely(subject, s)]
    if not stops:
        return cannot_tell(check, "no normal stop in the window before the failure")
    judged = [(s, stood) for s in stops[-_LATEST:] if (stood := _left_loaded(subject, s)) is not None]
    if not judged:
        return cannot_tell(check, "neither slide nor amps tell where the slide was left at a normal stop")
    loaded = [s for s, is_loaded in judged if is_loaded]
    last, last_loaded = judged[-1]
    present = last_loaded or len(loaded) * 2 >= len(judged)
    if not present and last is not stops[-1]:
        return cannot_tell(check, "neither slide nor amps tell it of the last normal stop")
    slide = last.slide_percent
    value = Value() if slide is None else Value.within(slide, 2, "%", "starts.slide_unloaded_max", above=True)
    words = f"At {len(loaded)} of the last {len(judged)} normal stops the slide was left loaded."
    if present != last_loaded:
        value = Value()
    outcome = Outcome.PRESENT if present else Outcome.ABSENT
    chosen = loaded if present else [s for s, _ in judged]
    points = _quantity(subject), subject.record.switch(Role.UNLOAD_SOLENOID)
    reach = round((5.0 + subject.profile.times.unload_after_stop_s) * NS)
    cites = tuple(c for s in chosen for c in rows_of_each(points, s.earliest_ns - 5 * NS, s.latest_ns + reach))
    seen = Seen((chosen[0].earliest_ns, chosen[-1].latest_ns), cites, None, 2 * len(chosen))
    return make_finding(subject, check, outcome, words, value, seen)


def _quantity(subject: Subject) -> Samples | None:
    """The point that a stop is judged by."""
    return subject.record.point(Role.SLIDE_POSITION) or subject.record.point(Role.MOTOR_AMPS)


def _surely(subject: Subject, stop: Stop) -> bool:
    """Whether a stop was surely a normal one: at the failure, a coarse log does not tell which came first."""
    reach_ns = round(subject.limits["duty.failure_reach"] * NS)
    at_failure = stop.earliest_ns - reach_ns <= subject.record.failure_ns <= stop.latest_ns + reach_ns
    return not at_failure or (stop.latest_ns - stop.earliest_ns) / NS <= subject.limits["slide.stop_told_s"]


def _left_loaded(subject: Subject, stop: Stop) -> bool | None:
    """Whether a stop left the slide loaded against what the profile asks for; None where that is not known.

    A profile that unloads before the stop wants it low when the motor goes off; one that unloads after it wants it low
    some time later, and the start that follows tells whether it was. Low drive speed unloads by itself.
    """
    times = subject.profile.times
    after = next((s for s in subject.starts if s.time_ns > stop.latest_ns), None)
    if after is not None and after.unloaded is Answer.YES:
        return False
    stood = _stood(subject, stop)
    if not stood:
        return stood
    if _slow_drive(subject, stop):
        return None
    if times.unload_before_stop_s > 0 and unload_was_asked(subject, stop) is not False:
        return True
    # what unloads after the stop, or was never asked to, is judged by the start that followed
    return True if times.unload_after_stop_s > 0 and after is not None and after.unloaded is Answer.NO else None


def _slow_drive(subject: Subject, stop: Stop) -> bool:
    """Whether a drive had brought the motor down to its lowest speeds before it went off."""
    drive = subject.record.point(Role.DRIVE_HERTZ)
    if drive is None or not len(drive.trusted):
        return False
    reading = drive.trusted.before(stop.earliest_ns, max(15.0, 2.0 * drive.interval_s))
    if reading is None:
        return False
    running = drive.trusted.v[drive.trusted.v > 1.0]
    return len(running) > 0 and reading.value <= subject.limits["slide.slow_drive_share"] * float(max(running))


def _stood(subject: Subject, stop: Stop) -> bool | None:
    """Whether the slide stood loaded at a stop: its reading close before, or at rest after; else the amps."""
    record, limits, times = subject.record, subject.limits, subject.profile.times
    slide = record.point(Role.SLIDE_POSITION)
    if slide is not None:
        before = slide.before(stop.earliest_ns, 5.0 if slide.origin.recorded is not Recorded.CHANGE else None)
        if times.unload_before_stop_s <= 0:
            before = slide.after(stop.latest_ns + round(times.unload_after_stop_s * NS), 120.0)
        reading = before or slide.after(stop.latest_ns, 120.0)
        if reading is not None:
            if reading.value >= limits["starts.slide_loaded_min"]:
                return True
            return False if reading.value <= limits["starts.slide_unloaded_max"] else None
    rated = subject.machine.rated_load_amps
    amps = record.point(Role.MOTOR_AMPS)
    if amps is None or rated is None or stop.amps_before is None or amps.interval_s > _AMPS_LONGEST_S:
        return None
    share = stop.amps_before / rated
    if share > 1.2 * limits["starts.unloaded_ratio_max"]:
        return True
    return False if share <= limits["starts.unloaded_ratio_max"] else None
