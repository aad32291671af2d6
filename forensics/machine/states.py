"""The record cut into operating states: rest, start, load, hold, unload, stop, coast-down."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from forensics.machine.commands import Command, read_commands
from forensics.machine.load_changes import moving_spans
from forensics.machine.runs import Run, StateSpan, alive_until, find_runs
from forensics.model.points import NS, OFF, ON, Span
from forensics.model.record import Record
from forensics.model.vocabulary import Recorded, Role, State
from forensics.rules import Limits, read_limits
from forensics.rules.profiles import Profile

__all__ = ["Run", "StateSpan", "cut_states", "find_runs", "start_ends", "state_at", "stop_begins"]


def state_at(spans: tuple[StateSpan, ...], time_ns: int) -> State:
    """State at a time; unknown outside the spans."""
    index = int(np.searchsorted([span.start_ns for span in spans], time_ns, side="right")) - 1
    if index < 0 or time_ns >= spans[index].end_ns:
        return State.UNKNOWN
    return spans[index].state


def cut_states(
    record: Record,
    runs: tuple[Run, ...],
    profile: Profile,
    limits: Limits | None = None,
    *,
    rated_load_amps: float | None = None,
) -> tuple[StateSpan, ...]:
    """Cut the record, history included, into operating states.

    The motor's runs give rest, start and coast-down; commands read by the profile's polarity give the end of a start,
    load, unload and stop; what no command tells is inferred from slide or amps and marked. Time that no point covers
    is ``unknown``.

    Returns
    -------
    tuple of StateSpan
        Contiguous and in time order.
    """
    rules = limits or read_limits()
    known = _known(record)
    if known is None:
        return ()
    commands = read_commands(record, profile)
    moving = moving_spans(record, _telling(commands, profile), rules, rated_load_amps=rated_load_amps)
    starts = np.array([span.start_ns for span in moving], dtype=np.int64)
    spans: list[StateSpan] = []
    at = known.start_ns
    coast_ns = round(profile.times.coast_down_s * NS)
    inferred = not record.switches.get(Role.RUN_COMMAND) and not record.switches.get(Role.RUN_STATUS)
    for run in runs:
        at = _rest(spans, at, run.first_ns, coast_ns, inferred=inferred, after_run=bool(spans))
        at = _running(spans, run, commands, rules, (moving, starts), profile)
    if runs and runs[-1].end is None and runs[-1].last_ns < known.end_ns:
        spans.append(StateSpan(State.UNKNOWN, runs[-1].last_ns, known.end_ns, inferred=True))
    elif at < known.end_ns:
        _rest(spans, at, known.end_ns, coast_ns, inferred=inferred, after_run=bool(spans))
    return _framed(spans, record, known)


def _known(record: Record) -> Span | None:
    """Time over which current, power or a run state is known."""
    roles = (Role.MOTOR_AMPS, Role.AMPS_A, Role.AMPS_B, Role.AMPS_C, Role.MOTOR_POWER)
    first: list[int] = []
    last: list[int] = []
    for role in roles:
        for point in record.samples.get(role, ()):
            if len(point.usable):
                first.append(int(point.usable.t[0]))
                lone = point.origin.recorded is Recorded.CHANGE or not np.isfinite(point.interval_s)
                step = 0 if lone else round(point.interval_s * NS)
                last.append(alive_until(record, point) + step)
    for role in (Role.RUN_STATUS, Role.RUN_COMMAND):
        for switch in record.switches.get(role, ()):
            if len(switch.covered):
                first.append(switch.covered[0].start_ns)
                last.append(switch.covered[-1].end_ns)
    if not first:
        return None
    start, end = max(min(first), record.history.start_ns), min(max(last), record.window.end_ns)
    return Span(start, end) if end > start else None


def _rest(spans: list[StateSpan], at: int, until: int, coast_ns: int, *, inferred: bool, after_run: bool) -> int:
    if until <= at:
        return max(at, until)
    coast = min(at + coast_ns, until) if after_run else at
    if coast > at:
        spans.append(StateSpan(State.COAST_DOWN, at, coast, inferred))
    if until > coast:
        spans.append(StateSpan(State.REST, coast, until, inferred))
    return until


def _framed(spans: list[StateSpan], record: Record, known: Span) -> tuple[StateSpan, ...]:
    framed = [span for span in spans if span.end_ns > span.start_ns]
    if known.end_ns < record.window.end_ns and framed:
        framed.append(StateSpan(State.UNKNOWN, framed[-1].end_ns, record.window.end_ns, inferred=True))
    merged: list[StateSpan] = []
    for span in framed:
        if merged and merged[-1].state is span.state and merged[-1].inferred == span.inferred:
            merged[-1] = StateSpan(span.state, merged[-1].start_ns, span.end_ns, span.inferred)
        else:
            merged.append(span)
    return tuple(span for span in merged if span.end_ns > span.start_ns)


_Moving = tuple[tuple[StateSpan, ...], NDArray[np.int64]]


def _running(
    spans: list[StateSpan],
    run: Run,
    commands: Mapping[Role, Command],
    rules: Limits,
    moving: _Moving,
    profile: Profile,
) -> int:
    """Append start, load/hold/unload and stop of one run; returns where it ended."""
    first, last = run.first_ns, run.last_ns
    begun = first
    if run.begin is not None:
        ended, told, _ = start_ends(run, commands, rules, profile)
        begun = min(ended, last)
        spans.append(StateSpan(State.START, first, begun, inferred=not told))
    stop_from, told = stop_begins(run, commands, rules, profile)
    stop_from = max(min(stop_from, last), begun)
    spans.extend(_capacity(begun, stop_from, moving))
    if last > stop_from:
        spans.append(StateSpan(State.STOP, stop_from, last, inferred=not told))
    return last


def _capacity(start_ns: int, end_ns: int, moving: _Moving) -> list[StateSpan]:
    """Load and unload spells inside a running stretch, hold between them."""
    spans, starts = moving
    guess = not spans or spans[0].inferred
    at, out = start_ns, []
    for span in spans[max(int(np.searchsorted(starts, start_ns)) - 1, 0) : int(np.searchsorted(starts, end_ns))]:
        begin, end = max(span.start_ns, at), min(span.end_ns, end_ns)
        if end <= begin:
            continue
        if begin > at:
            out.append(StateSpan(State.HOLD, at, begin, inferred=guess))
        out.append(StateSpan(span.state, begin, end, span.inferred))
        at = end
    if end_ns > at:
        out.append(StateSpan(State.HOLD, at, end_ns, inferred=guess))
    return out


def _telling(commands: Mapping[Role, Command], profile: Profile) -> Mapping[Role, Command]:
    """Commands without those that may act while the machine holds: what they do tells no load or unload."""
    capacity = (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID)
    return {r: c for r, c in commands.items() if r not in capacity or profile.tells_by_itself(r)}


def _ends_a_start(profile: Profile | None, role: Role, to: int) -> bool:
    """Whether an edge of a command may end the unloaded start: not one to what the profile has from its begin."""
    return profile is None or profile.expected(State.START, role).first is not (to == ON)


def start_ends(
    run: Run, commands: Mapping[Role, Command], limits: Limits, profile: Profile | None = None
) -> tuple[int, bool, str]:
    """When the unloaded start of a run ended.

    Parameters
    ----------
    profile
        Commands that act so from the begin of its starts do not end them; all count where none is given.

    Returns
    -------
    end_ns, told, by
        ns UTC; whether a command told; which one (a role, or empty).
    """
    longest = run.first_ns + round(limits["states.start_longest_s"] * NS)
    until = min(longest, run.last_ns)
    ends: list[tuple[int, str]] = []
    for role, to in ((Role.BYPASS_SOLENOID, ON), (Role.UNLOAD_SOLENOID, OFF), (Role.LOAD_SOLENOID, ON)):
        command = commands.get(role)
        if command is None or not _ends_a_start(profile, role, to):
            continue
        # a sequence that shuts the valve with the motor does not end its unloaded start with it
        least_s = limits["states.bypass_at_once_s"] if role is Role.BYPASS_SOLENOID else 1.0
        later = run.first_ns + round(max(least_s, command.interval_s / 2) * NS)
        times = [edge.latest_ns for edge in command.edges(later, until) if edge.to == to]
        if times:
            ends.append((times[0], role.value))
    if ends:
        end, by = min(ends)
        return end, True, by
    return run.first_ns + round(limits["states.start_s"] * NS), False, ""


def stop_begins(
    run: Run, commands: Mapping[Role, Command], limits: Limits, profile: Profile | None = None
) -> tuple[int, bool]:
    """When the stop sequence of a run began, ns UTC, and whether a command told; the end of current where none did.

    A stop sequence is the run command taken off, the bypass released, or unload held on without pulsing until the
    current ends. Where the profile has unload act in holding too, holding it on tells no stop.
    """
    if run.end is None:
        return run.last_ns, True
    earliest = max(run.last_ns - round(limits["states.stop_longest_s"] * NS), run.first_ns)
    begins: list[int] = []
    told = False
    for role in (Role.RUN_COMMAND, Role.BYPASS_SOLENOID):
        command = commands.get(role)
        if command is None:
            continue
        told = True
        last = command.edges(earliest, run.last_ns + 1)[-1:]
        begins.extend(edge.latest_ns for edge in last if edge.to == OFF)
    unload = commands.get(Role.UNLOAD_SOLENOID)
    if unload is not None and (profile is None or profile.tells_by_itself(Role.UNLOAD_SOLENOID)):
        told = True
        last = unload.edges(earliest, run.last_ns + 1)[-1:]
        held = [edge.latest_ns for edge in last if edge.to == ON]
        begins.extend(time for time in held if (run.last_ns - time) / NS >= limits["states.unload_held_s"])
    return min(begins, default=run.last_ns), told
