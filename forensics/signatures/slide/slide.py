"""The slide: does it move as commanded, does it move by itself, where does it stand when the motor stops."""

from __future__ import annotations

import numpy as np

from forensics.machine.capacity import Capacity
from forensics.machine.citations import rows_of
from forensics.machine.commanded import acting_seconds
from forensics.machine.commands import read_commands
from forensics.machine.history import stops_before
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Recorded, Role, StopKind
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import met
from forensics.signatures.slide.motion import Bins, looked, sure_share


@detector("slide.loaded_at_stop", met)
def loaded_at_stop(subject: Subject, check: str) -> Finding:
    """Decide whether the slide stood loaded when the motor stopped at the last normal stops."""
    stops = [s for s in stops_before(subject) if s.kind is StopKind.NORMAL and s.in_window and _surely(subject, s)]
    if not stops:
        return cannot_tell(check, "no normal stop in the window before the failure")
    judged = [(s, stood) for s in stops[-5:] if (stood := _loaded(subject, s)) is not None]
    if not judged:
        return cannot_tell(check, "neither slide nor amps were sampled close enough to a normal stop")
    loaded = [s for s, is_loaded in judged if is_loaded]
    last, last_loaded = judged[-1]
    present = last_loaded or len(loaded) * 2 >= len(judged)
    if not present and last is not stops[-1]:
        return cannot_tell(check, "neither slide nor amps tell it of the last normal stop")
    slide = last.slide_percent
    value = Value() if slide is None else Value.within(slide, 2, "%", "starts.slide_unloaded_max", above=True)
    words = f"At {len(loaded)} of the last {len(judged)} normal stops the slide stood loaded."
    if present != last_loaded:
        value = Value()
    outcome = Outcome.PRESENT if present else Outcome.ABSENT
    chosen = loaded if present else [s for s, _ in judged]
    seen = Seen((chosen[0].earliest_ns, chosen[-1].latest_ns), chosen[-1].cites, None, 2 * len(chosen))
    return make_finding(subject, check, outcome, words, value, seen)


def _surely(subject: Subject, stop: Stop) -> bool:
    """Whether a stop was surely a normal one: at the failure, a coarse log does not tell which came first."""
    reach_ns = round(subject.limits["duty.failure_reach"] * NS)
    at_failure = stop.earliest_ns - reach_ns <= subject.record.failure_ns <= stop.latest_ns + reach_ns
    return not at_failure or (stop.latest_ns - stop.earliest_ns) / NS <= subject.limits["slide.stop_told_s"]


def _loaded(subject: Subject, stop: Stop) -> bool | None:
    """Whether the slide stood loaded at a stop: its reading close before, or at rest after; else the amps."""
    record, limits = subject.record, subject.limits
    slide = record.point(Role.SLIDE_POSITION)
    if slide is not None:
        before = slide.before(stop.earliest_ns, 5.0 if slide.origin.recorded is not Recorded.CHANGE else None)
        reading = before or slide.after(stop.latest_ns, 120.0)
        if reading is not None:
            if reading.value >= limits["starts.slide_loaded_min"]:
                return True
            return False if reading.value <= limits["starts.slide_unloaded_max"] else None
    rated = subject.machine.rated_load_amps
    amps = record.point(Role.MOTOR_AMPS)
    if amps is None or rated is None or stop.amps_before is None or amps.interval_s > 5:  # noqa: PLR2004 - as above
        return None
    share = stop.amps_before / rated
    if share > 1.2 * limits["starts.unloaded_ratio_max"]:
        return True
    return False if share <= limits["starts.unloaded_ratio_max"] else None


@detector("slide.cannot_reach_full_load", looked)
def cannot_reach_full_load(subject: Subject, check: str, source: Capacity, _: Bins) -> Finding:
    """Decide whether capacity stays well below full in spite of a whole travel of load commands."""
    record, limits = subject.record, subject.limits
    command = read_commands(record, subject.profile)[Role.LOAD_SOLENOID]
    begin, end = max(record.window.start_ns, record.failure_ns - 6 * 3600 * NS), record.failure_ns
    good = source.point.between(begin, end)
    if not len(good):
        return cannot_tell(check, "no capacity reading in the hours before the failure")
    percent = good.v * source.percent
    most = float(np.quantile(percent, 0.98))
    step = np.arange(begin, end, 60 * NS, dtype=np.int64)
    acting = np.nan_to_num(acting_seconds(command, step, step + 60 * NS))
    ten = np.convolve(acting, np.ones(min(10, len(acting))), mode="valid") if len(acting) else np.array([0.0])
    asked = float(np.max(ten)) if len(ten) else 0.0
    need = limits["slide.asked_travels"] * subject.profile.times.travel_load_s
    if command.switch.origin.recorded is not Recorded.CHANGE:
        # acting time from samples is a count: three of its standard deviations on top
        need += 3.0 * command.interval_s * float(np.sqrt(max(asked, 1.0) / command.interval_s))
        if command.interval_s > limits["slide.pulse_interval_s"]:
            need /= sure_share(subject, command.interval_s)
    words = f"Capacity reached {most:.0f} %; load was commanded for up to {asked:.0f} s within ten minutes."
    measured = Value.within(most, 2, "%", "slide.short_of_full", above=False)
    span = (int(good.t[0]), int(good.t[-1]))
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, len(good), rests_on_commands=True)
    if most >= limits["slide.full_load"]:
        return make_finding(subject, check, Outcome.ABSENT, words, measured, seen)
    if most < limits["slide.short_of_full"] and asked >= need:
        return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)
    return cannot_tell(check, words + " Full load was not asked for clearly enough.")
