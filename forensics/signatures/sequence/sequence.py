"""The sequence: did the controller command what the profile expects, state by state. Commands, not what followed."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from forensics.machine.citations import rows_of
from forensics.machine.commands import Command, read_commands
from forensics.machine.history import run_of, starts_before, stops_before
from forensics.machine.runs import apart_from_runs_s
from forensics.machine.states import start_ends
from forensics.machine.subject import Subject
from forensics.model.findings import Cite, Finding, Start, Stop
from forensics.model.points import NS, ON
from forensics.model.vocabulary import Outcome, Role, State, StopKind
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import NO_STOP, met

Times = NDArray[np.int64]
_FINE_S = 2.0
_RUNNING = (State.LOAD, State.HOLD, State.UNLOAD)


def _told(state: State, role: Role) -> Callable[[Subject, str], tuple[Command] | Finding]:
    """Need of the command of a valve of which the profile expects something in a state."""

    def needs(subject: Subject, check: str) -> tuple[Command] | Finding:
        if isinstance(failed := met(subject, check), Finding):
            return failed
        if role is Role.BYPASS_SOLENOID and not subject.profile.polarity.has_bypass:
            return cannot_tell(check, "the sequence profile has no internal unloading valve")
        if subject.profile.cell(state, role) == "either":
            return cannot_tell(check, f"the sequence profile expects nothing of {role.value} in {state.value}")
        command = _commands(subject)[role]
        clock = command.switch.origin.clock
        if (apart_s := apart_from_runs_s(subject.record, clock)) > subject.limits["sequence.clock_known_s"]:
            return cannot_tell(check, f"the clock '{clock}' of the command is known to {apart_s:.0f} s only")
        return (command,)

    return needs


def _commands(subject: Subject) -> Mapping[Role, Command]:
    return read_commands(subject.record, subject.profile)


def _stops(subject: Subject) -> list[Stop]:
    return [s for s in stops_before(subject) if s.in_window]


def _starts(subject: Subject) -> list[Start]:
    return [s for s in starts_before(subject) if s.in_window]


def _rows(subject: Subject, role: Role, start_ns: int, end_ns: int) -> tuple[Cite, ...]:
    return rows_of(subject.record.switch(role), start_ns, end_ns)


def both_acting(first: tuple[Times, Times], second: tuple[Times, Times]) -> tuple[Times, Times]:
    """Spans in which both of two sets of spans act: starts and ends, ns UTC."""
    times = np.concatenate([first[0], second[0], first[1], second[1]])
    step = np.concatenate([np.ones(len(first[0]) + len(second[0])), -np.ones(len(first[1]) + len(second[1]))])
    # an end sorts before a start at the same moment: half-open spans that touch do not overlap
    order = np.lexsort((step, times))
    count = np.cumsum(step[order])
    times = times[order]
    both = np.flatnonzero(count[:-1] == 2) if len(count) else np.array([], dtype=np.int64)  # noqa: PLR2004 - two sets
    both = both[times[both + 1] > times[both]]
    return times[both].astype(np.int64), times[both + 1].astype(np.int64)


@detector("sequence.load_and_unload_together", met)
def load_and_unload_together(subject: Subject, check: str) -> Finding:
    """Decide whether load and unload acted at the same time in the window."""
    commands, window = _commands(subject), subject.record.window
    load, unload = commands[Role.LOAD_SOLENOID], commands[Role.UNLOAD_SOLENOID]
    begin, end = both_acting(load.acting, unload.acting)
    inside = (end > window.start_ns) & (begin < subject.record.failure_ns + NS)
    begin, end = begin[inside], end[inside]
    total = float(np.sum(end - begin)) / NS
    step = max(load.interval_s, unload.interval_s)
    measured = Value(total, max(0.0, total - step), total + step, "s", "sequence.together_s", above=True)
    words = f"Both acted together for {total:.1f} s in the window, on {len(begin)} occasions."
    if 0 < total <= subject.limits["sequence.together_s"]:
        return cannot_tell(check, words + " Edges of one scan look alike.")
    outcome = Outcome.PRESENT if total > 0 else Outcome.ABSENT
    span = (int(begin[0]), int(end[-1])) if len(begin) else (window.start_ns, subject.record.failure_ns)
    cites = _rows(subject, Role.LOAD_SOLENOID, *span) + _rows(subject, Role.UNLOAD_SOLENOID, *span)
    count = max(2, len(begin))
    return make_finding(
        subject, check, outcome, words, measured, Seen(span, cites, step, count, rests_on_commands=True)
    )


@detector("sequence.bypass_energised_after_stop", _told(State.COAST_DOWN, Role.BYPASS_SOLENOID))
def bypass_energised_after_stop(subject: Subject, check: str, command: Command) -> Finding:
    """Decide whether the command kept the unloading valve shut after the motor had stopped."""
    stops = _stops(subject)
    if not stops:
        return cannot_tell(check, NO_STOP)
    limit = max(subject.limits["sequence.bypass_release_s"], subject.profile.times.bypass_release_tolerance_s)
    slack = limit + command.interval_s
    late: list[tuple[float, Stop]] = []
    judged: list[Stop] = []
    for stop in stops:
        # what acts between the latest moment of the stop and a minute later, short of the next start
        later = [run.first_ns for run in subject.runs if run.first_ns > stop.time_ns]
        end = min([stop.latest_ns + 60 * NS, *later])
        if command.known_s(stop.latest_ns, end) < 0.5 * (end - stop.latest_ns) / NS:
            continue
        judged.append(stop)
        held_s = command.acting_s(stop.latest_ns, end)
        if held_s > slack:
            late.append((held_s, stop))
    if not judged:
        return cannot_tell(check, "the command is not recorded after the stops")
    return _counted(subject, check, late, judged, "the command still held it shut", Role.BYPASS_SOLENOID)


def _counted(
    subject: Subject, check: str, wrong: list[tuple[float, Stop]], judged: list[Stop], words: str, role: Role
) -> Finding:
    """Present where the sequence was broken at the last stop, or at two and more; absent where it never was."""
    text = f"At {len(wrong)} of {len(judged)} stops of the window {words}."
    shown = wrong[-1][1] if wrong else judged[-1]
    span = (shown.earliest_ns - 60 * NS, shown.latest_ns + 60 * NS)
    step = subject.record.switch(role)
    seen = Seen(
        span,
        _rows(subject, role, *span),
        step.interval_s if step is not None else None,
        max(2, len(wrong) or len(judged)),
        rests_on_commands=True,
    )
    count = float(len(wrong))
    outcome = Outcome.PRESENT if wrong else Outcome.ABSENT
    return make_finding(subject, check, outcome, text, Value.exact(count, "stops"), seen)


@detector("sequence.bypass_not_energised_running", _told(State.HOLD, Role.BYPASS_SOLENOID))
def bypass_not_energised_running(subject: Subject, check: str, command: Command) -> Finding:
    """Decide whether the command left the unloading valve open in ordinary running."""
    record = subject.record
    spans = [
        s for s in subject.spans
        if s.state in _RUNNING and s.end_ns > record.window.start_ns and s.start_ns < record.failure_ns
    ]  # fmt: skip
    if not spans:
        return cannot_tell(check, "no ordinary running in the window up to the failure")
    begin = np.array([max(s.start_ns, record.window.start_ns) for s in spans], dtype=np.int64)
    # the valve may be released a little before the stop sequence is recognised, and at the trip itself
    margin = round((2.0 + 2 * command.interval_s) * NS)
    end = np.array([min(s.end_ns, record.failure_ns - margin) for s in spans], dtype=np.int64)
    open_s, first = _open_s(command, begin, end)
    known = sum(command.known_s(int(a), int(b)) for a, b in zip(begin, end, strict=True) if b > a)
    if known <= 0:
        return cannot_tell(check, "the command is not recorded while the motor ran")
    measured = Value.exact(open_s, "s", "sequence.bypass_open_running_s", above=True)
    words = f"Of {known:.0f} s of ordinary running the command left the valve open for {open_s:.0f} s."
    outcome = Outcome.PRESENT if open_s > subject.limits["sequence.bypass_open_running_s"] else Outcome.ABSENT
    whole = np.array([min(s.end_ns, record.failure_ns) for s in spans], dtype=np.int64)
    if outcome is Outcome.ABSENT and command.interval_s > _FINE_S:
        # what the margin of coarse samples leaves out could be the very time looked for
        left_out_s = _open_s(command, begin, whole)[0]
        left_out_s += 2.0 * command.interval_s if left_out_s > 0 else 0.0
        if left_out_s > subject.limits["sequence.bypass_open_running_s"]:
            more = f" With the ends of running, and to a sample, it may be {left_out_s:.0f} s."
            return cannot_tell(check, words + more)
    at = first if first is not None and outcome is Outcome.PRESENT else int(begin[-1])
    span = (at, int(end[-1]))
    cites = _rows(subject, Role.BYPASS_SOLENOID, *span)
    seen = Seen(span, cites, command.interval_s, max(2, len(spans)), rests_on_commands=True)
    return make_finding(subject, check, outcome, words, measured, seen)


def _open_s(command: Command, begin: NDArray[np.int64], end: NDArray[np.int64]) -> tuple[float, int | None]:
    """Seconds in which a command is known not to act, and the begin of the first span that holds some."""
    open_s, first = 0.0, None
    for a, b in zip(begin, end, strict=True):
        if b <= a:
            continue
        left = command.known_s(int(a), int(b)) - command.acting_s(int(a), int(b))
        if left > 0 and first is None:
            first = int(a)
        open_s += max(left, 0.0)
    return open_s, first


@detector("sequence.no_unload_before_stop", _told(State.STOP, Role.UNLOAD_SOLENOID))
def no_unload_before_stop(subject: Subject, check: str, command: Command) -> Finding:
    """Decide whether the controller stopped the motor without commanding unload first."""
    stops = [s for s in _stops(subject) if s.kind is StopKind.NORMAL]
    if not stops:
        return cannot_tell(check, "no normal stop in the window before the failure")
    dwell = subject.profile.times.unload_before_stop_s
    lacking: list[tuple[float, Stop]] = []
    judged: list[Stop] = []
    unsure = 0
    for stop in stops:
        begin = stop.earliest_ns - round(2 * dwell * NS)
        if command.known_s(begin, stop.earliest_ns) < dwell:
            continue
        judged.append(stop)
        acted = command.acting_s(begin, stop.earliest_ns)
        need = subject.limits["sequence.unload_share"] * dwell
        if acted + command.interval_s < need:
            lacking.append((acted, stop))
        unsure += command.interval_s > _FINE_S and abs(acted - need) <= command.interval_s
    if not judged:
        return cannot_tell(check, "the command is not recorded before the stops")
    if unsure and not lacking:
        why = f"samples every {command.interval_s:g} s do not time the unload command before {unsure} of the stops"
        return cannot_tell(check, why)
    return _counted(subject, check, lacking, judged, "unload was not commanded before", Role.UNLOAD_SOLENOID)


@detector("sequence.load_before_ready", _told(State.START, Role.BYPASS_SOLENOID))
def load_before_ready(subject: Subject, check: str, bypass: Command) -> Finding:
    """Decide whether load was commanded before the unloading valve was commanded shut at starts of the window."""
    starts = _starts(subject)
    if not starts:
        return cannot_tell(check, "no start in the window up to the failure")
    load = _commands(subject)[Role.LOAD_SOLENOID]
    early: list[Start] = []
    judged: list[Start] = []
    for start in starts:
        until = start.time_ns + round(subject.limits["states.start_longest_s"] * NS)
        shut = [e for e in bypass.edges(start.time_ns, until) if e.to == ON]
        fed = [e for e in load.edges(start.earliest_ns - 30 * NS, until) if e.to == ON]
        if bypass.acts_at(start.latest_ns) is not False or not (shut or fed):
            continue
        judged.append(start)
        if fed and (not shut or fed[0].latest_ns < shut[0].earliest_ns):
            early.append(start)
    if not judged:
        return cannot_tell(check, "no start with both commands recorded to its end")
    return _at_starts(subject, check, early, judged, "load was commanded before the valve was shut", load)


def _at_starts(
    subject: Subject, check: str, wrong: list[Start], judged: list[Start], words: str, command: Command
) -> Finding:
    text = f"At {len(wrong)} of {len(judged)} starts of the window {words}."
    shown = (wrong or judged)[-1]
    span = (shown.earliest_ns - 5 * NS, shown.latest_ns + 60 * NS)
    count = float(len(wrong))
    outcome = Outcome.PRESENT if wrong else Outcome.ABSENT
    cites = _rows(subject, command.role, *span)
    seen = Seen(span, cites, command.interval_s, max(2, len(wrong) or len(judged)), rests_on_commands=True)
    return make_finding(subject, check, outcome, text, Value.exact(count, "starts"), seen)


@detector("sequence.restart_too_soon", met)
def restart_too_soon(subject: Subject, check: str) -> Finding:
    """Decide whether the motor was started again inside the profile's anti-recycle time."""
    starts = [s for s in _starts(subject) if s.off_s is not None]
    if not starts:
        return cannot_tell(check, "no start with the stop before it in the window")
    limit = subject.profile.times.anti_recycle_s
    # both ends of a rest are known to a sample: it counts as short only where its longest reading is
    soon = [s for s in starts if s.off_s is not None and s.off_s + (s.latest_ns - s.earliest_ns) / NS + 1.0 < limit]
    least = min(s.off_s for s in starts if s.off_s is not None)
    words = f"{len(soon)} of {len(starts)} starts came within {limit:.0f} s of a stop; the shortest rest {least:.0f} s."
    shown = (soon or starts)[-1]
    seen = Seen((shown.earliest_ns, shown.latest_ns), shown.cites, None, max(2, len(soon) or len(starts)))
    brief_s = [_surely_off_s(subject, s) for s in soon]
    if soon and max(brief_s) < subject.limits["states.dropout_s"]:
        return cannot_tell(check, words + " As sampled it may be a drop-out of the contactor.")
    outcome = Outcome.PRESENT if soon else Outcome.ABSENT
    return make_finding(subject, check, outcome, words, Value.exact(least, "s"), seen)


def _surely_off_s(subject: Subject, start: Start) -> float:
    """What the rest before a start lasted at least, s: from the latest end of current to the earliest begin."""
    before = [stop.latest_ns for stop in subject.stops if stop.time_ns < start.time_ns]
    return (start.earliest_ns - max(before)) / NS if before else float("inf")


@detector("sequence.expansion_valve_open_at_stop", met)
def expansion_valve_open_at_stop(subject: Subject, check: str) -> Finding:
    """Decide whether the expansion valve stood open after the last stops of the window."""
    point = subject.record.point(Role.EXPANSION_VALVE_POSITION)
    stops = _stops(subject)
    if point is None or not stops:
        return cannot_tell(check, NO_STOP)
    limits = subject.limits
    read: list[tuple[float, Stop]] = []
    for stop in stops:
        later = [run.first_ns for run in subject.runs if run.first_ns > stop.time_ns]
        begin = stop.latest_ns + round(limits["sequence.valve_from_s"] * NS)
        end = min([stop.latest_ns + round(limits["sequence.valve_to_s"] * NS), *later])
        part = point.usable.between(begin, max(begin, end))
        held = point.before(end) if end > begin and not len(part) and point.origin.hold_s is None else None
        if len(part):
            read.append((float(np.median(part.v)), stop))
        elif held is not None and held.age_s <= (end - stop.latest_ns) / NS + 1:
            read.append((held.value, stop))
    if not read:
        return cannot_tell(check, "no valve position 20 to 90 s after a stop")
    limit = limits["sequence.valve_open"]
    opened = [(v, s) for v, s in read if v > limit]
    value, stop = (opened or read)[-1]
    measured = Value.within(value, 1.0, "%", "sequence.valve_open", above=True)
    words = f"After {len(opened)} of {len(read)} stops of the window the valve stood open, last read {value:.0f} %."
    span = (stop.earliest_ns, stop.latest_ns + round(limits["sequence.valve_to_s"] * NS))
    seen = Seen(span, rows_of(point, *span), point.interval_s, max(2, len(opened) or len(read)))
    outcome = Outcome.PRESENT if opened else Outcome.ABSENT
    return make_finding(subject, check, outcome, words, measured, seen)


@detector("sequence.start_without_unload", _told(State.START, Role.UNLOAD_SOLENOID))
def start_without_unload(subject: Subject, check: str, command: Command) -> Finding:
    """Decide whether unload was left out while the motor started."""
    starts = _starts(subject)
    if not starts:
        return cannot_tell(check, "no start in the window up to the failure")
    commands = _commands(subject)
    lacking: list[Start] = []
    judged: list[Start] = []
    for start in starts:
        run = run_of(subject, start)
        if run is None:
            continue
        ended, _, _ = start_ends(run, commands, subject.limits, subject.profile)
        end = min(ended, start.latest_ns + 20 * NS, run.last_ns)
        length = (end - start.latest_ns) / NS
        known = command.known_s(start.latest_ns, end)
        if length < 2.0 * command.interval_s or known < length / 2:
            continue
        judged.append(start)
        if command.acting_s(start.latest_ns, end) < 0.5 * known - command.interval_s:
            lacking.append(start)
    if not judged:
        return cannot_tell(check, "no start with the command recorded")
    return _at_starts(subject, check, lacking, judged, "unload was not commanded", command)
