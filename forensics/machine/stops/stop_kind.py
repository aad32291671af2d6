"""How a run ended: by the sequence, by a protection or an emergency stop, or by loss of supply."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from forensics.machine.commands import read_commands
from forensics.machine.states import Run, stop_begins
from forensics.machine.subject import Subject
from forensics.model.points import NS, ON
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role, StopKind

_TRIP_WORDS = re.compile(
    r"\b(trip(ped)?|emergency|e-stop|lock-?out|cut-?out|overload|safety|fault|failure|shut ?down)\b",
    re.IGNORECASE,
)
_POWER_WORDS = re.compile(
    r"\b(power (fail\w*|loss|lost|off|outage|interrupt\w*|up)|black-?out|supply (lost|fail\w*|off)|mains|under-?voltage"
    r"|loss of (power|supply))\b",
    re.IGNORECASE,
)
_RESTORED_WORDS = re.compile(
    r"\b(power|supply|mains)\b.*\b(restored|returned|recovered|back)\b|\b(restart|start|boot)(ed|ing)? after power\b",
    re.IGNORECASE,
)
_VOLTS = (Role.VOLTS_AB, Role.VOLTS_BC, Role.VOLTS_CA)
_DEAD_SHARE = 0.5
# an outage that ends within the hour belongs to the stop before it
_RESTORED_WITHIN_S = 3600.0


@dataclass(frozen=True, slots=True)
class Ending:
    """Kind of a stop, whether the supply was lost, and the words of the record that say so."""

    kind: StopKind
    power_lost: bool
    text: str


def classify_stop(subject: Subject, run: Run) -> Ending:
    """Decide how a run ended.

    A trip point or trip line of an event list at the stop decides, then loss of supply (its text, voltage near zero,
    communication lost or every point of the source silent from the stop on). Without either a record that holds the
    commands tells: a stop without any of its sequence was no normal one.
    """
    record = subject.record
    if run.end is None:
        return Ending(StopKind.NORMAL, power_lost=False, text="")
    slack_ns = round(subject.limits["coastdown.kind_tolerance_s"] * NS)
    low, high = run.end.earliest_ns - slack_ns, run.end.latest_ns + slack_ns
    lines = [line for line in record.log if _near(record, line.time_ns, line.clock, low, high)]
    power_text = next((line.text for line in lines if _POWER_WORDS.search(line.text)), "") or _restored(subject, run)
    text = next((line.text for line in lines if _is_trip(line.point, line.value, line.text)), "")
    if power_text or _volts_gone(record, run) or _silent(record, run):
        return Ending(StopKind.TRIP, power_lost=True, text=power_text or text or "supply lost")
    trips = record.switches.get(Role.TRIP, ())
    if text or any(_rose(record, switch, low, high) for switch in trips):
        return Ending(StopKind.TRIP, power_lost=False, text=text or "trip")
    if trips or any(_is_trip(line.point, line.value, line.text) for line in record.log):
        return Ending(StopKind.NORMAL, power_lost=False, text="")
    return Ending(_by_sequence(subject, run), power_lost=False, text="")


def _restored(subject: Subject, run: Run) -> str:
    """Words of a return of power in the rest after a run that was cut off: the list itself was without power before."""
    assert run.end is not None
    record = subject.record
    if _by_sequence(subject, run) is StopKind.NORMAL and not _slide_stood_loaded(subject, run):
        return ""
    told = [line for line in record.log if _RESTORED_WORDS.search(line.text)]
    if not told:
        return ""
    later = [one.begin.earliest_ns for one in subject.runs if one.begin is not None and one.first_ns > run.last_ns]
    until = min([*later, run.end.latest_ns + round(_RESTORED_WITHIN_S * NS)])
    near = (line.text for line in told if _near(record, line.time_ns, line.clock, run.end.earliest_ns, until))
    return next(near, "")


def _slide_stood_loaded(subject: Subject, run: Run) -> bool:
    slide = subject.record.fastest(Role.SLIDE_POSITION)
    reading = slide.before(run.end.earliest_ns, 30.0) if slide is not None and run.end is not None else None
    return reading is not None and reading.value >= subject.limits["starts.slide_loaded_min"]


def _near(record: Record, time_ns: int, clock: str, low: int, high: int) -> bool:
    wide = record.uncertainty_s(clock)
    if not np.isfinite(wide):
        return False
    return low - round(wide * NS) <= time_ns <= high + round(wide * NS)


def _is_trip(point: str, value: str, text: str) -> bool:
    if value.strip().lower() in {"normal", "off", "0", "false", "reset", "cleared", "clear"}:
        return False
    return bool(_TRIP_WORDS.search(point) or _TRIP_WORDS.search(text))


def _rose(record: Record, switch: Switch, low: int, high: int) -> bool:
    wide = record.uncertainty_s(switch.origin.clock)
    if not np.isfinite(wide):
        return False
    extra = round(wide * NS)
    rises = [(e.earliest_ns, e.latest_ns) for e in switch.edges if e.to == ON]
    if switch.origin.recorded is Recorded.CHANGE:
        # an alarm list may hold nothing but alarms: each of its rows is an event of its own
        rises = [(int(t), int(t)) for t in switch.t[switch.state == ON]]
    return any(a - extra <= high and b + extra >= low for a, b in rises)


def _volts_gone(record: Record, run: Run) -> bool:
    assert run.end is not None
    for role in _VOLTS:
        for point in record.samples.get(role, ()):
            if point.origin.measured_at == "motor":
                continue
            before = point.before(run.end.earliest_ns, 10.0 * point.interval_s)
            after = point.after(run.end.earliest_ns, 5.0 * point.interval_s)
            if before and after and before.value > 0 and after.value < _DEAD_SHARE * before.value:
                return True
    return False


def _silent(record: Record, run: Run) -> bool:
    """Every point of the source that shows the current falls silent at the stop: the logger lost its supply too."""
    assert run.end is not None
    for switch in record.switches.get(Role.COMMUNICATION, ()):
        if any(run.end.earliest_ns <= e.latest_ns <= run.end.latest_ns + NS and e.to != ON for e in switch.edges):
            return True
    amps = record.fastest(Role.MOTOR_AMPS)
    if amps is None or amps.origin.recorded is Recorded.CHANGE or not np.isfinite(amps.interval_s):
        return False
    gap_ns = max(5.0 * amps.interval_s, 10.0) * NS
    same = [p for found in record.samples.values() for p in found if p.origin.source == amps.origin.source]
    last = int(np.searchsorted(amps.t, run.end.earliest_ns, side="right"))
    if last <= 0 or last >= len(amps.t) or amps.t[last] - amps.t[last - 1] < gap_ns:
        return False
    quiet = (int(amps.t[last - 1]), int(amps.t[last]))
    return all(not len(p.between(quiet[0] + 1, quiet[1])) for p in same)


def _by_sequence(subject: Subject, run: Run) -> StopKind:
    commands = read_commands(subject.record, subject.profile, fastest=True)
    if Role.UNLOAD_SOLENOID not in commands and Role.BYPASS_SOLENOID not in commands:
        return StopKind.NORMAL
    slow = max(c.interval_s for c in commands.values())
    begun, told = stop_begins(run, commands, subject.limits, subject.profile)
    short_s = max(2.0 * slow, 2.0)
    if told and (run.last_ns - begun) / NS <= short_s and short_s < subject.profile.times.unload_before_stop_s:
        return StopKind.TRIP
    return StopKind.NORMAL
