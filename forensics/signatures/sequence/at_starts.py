"""Breaches of the sequence at starts: load too early, unload left out, restarts too soon."""

from __future__ import annotations

from forensics.machine.commands import Command
from forensics.machine.history import run_of
from forensics.machine.runs import Run
from forensics.machine.starts.rests import rest_s, short_rests
from forensics.machine.states import start_ends
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Start
from forensics.model.points import NS, OFF, ON, Edge
from forensics.model.vocabulary import Outcome, Role, State
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import met
from forensics.signatures.sequence.cells import Breaches, commands_of, counted, expected, starts_of, told

_NO_START = "no start in the window up to the failure"


@detector("sequence.load_before_ready", told(State.START, Role.LOAD_SOLENOID, lambda cell: cell.first is False))
def load_before_ready(subject: Subject, check: str, load: Command) -> Finding:
    """Decide whether load was commanded before the machine was ready for it, as the profile has it.

    Ready is the unloading valve commanded shut where the profile shuts it in the course of the start, else the end
    of unloading where it unloads through the start.
    """
    starts = starts_of(subject)
    if not starts:
        return cannot_tell(check, _NO_START)
    ready = _ready(subject)
    if ready is None:
        why = "does not apply: the sequence profile has neither a valve to be shut nor unloading in the start"
        return cannot_tell(check, why)
    role, to, what = ready
    command = commands_of(subject).get(role)
    if command is None:
        return cannot_tell(check, f"no {role.value}")
    early: list[Start] = []
    lasted: list[float] = []
    judged: list[Start] = []
    unsure = 0
    for start in starts:
        until = start.time_ns + round(subject.limits["states.start_longest_s"] * NS)
        done = [e for e in command.edges(start.time_ns, until) if e.to == to]
        fed = [e for e in load.edges(start.earliest_ns - 30 * NS, until) if e.to == ON]
        if command.acts_at(start.latest_ns) is not (to == OFF) or not (done or fed):
            continue
        judged.append(start)
        by_s = _early_s(fed, done)
        if by_s is None:
            continue
        if by_s > 0.0:
            early.append(start)
            lasted.append(by_s)
        elif by_s == 0.0:
            unsure += 1
    slower = load if load.interval_s >= command.interval_s else command
    return counted(subject, check, slower, Breaches(early, judged, starts, lasted, unsure), what)


def _ready(subject: Subject) -> tuple[Role, int, str] | None:
    """Which edge makes a machine ready to load by its profile, and what a load before it is called."""
    bypass = expected(subject, State.START, Role.BYPASS_SOLENOID)
    if bypass.first is False and bypass.last is True:
        return Role.BYPASS_SOLENOID, ON, "load was commanded before the valve was shut"
    if expected(subject, State.START, Role.UNLOAD_SOLENOID).first is True:
        return Role.UNLOAD_SOLENOID, OFF, "load was commanded before unloading had ended"
    return None


def _early_s(fed: list[Edge], done: list[Edge]) -> float | None:
    """How long the first load came before ready, s at least; 0 where the edges overlap, None where it did not."""
    if not fed:
        return None
    if not done:
        return 1.0
    if fed[0].latest_ns < done[0].earliest_ns:
        return (done[0].earliest_ns - fed[0].latest_ns) / NS
    return None if fed[0].earliest_ns >= done[0].latest_ns or fed[0].latest_ns >= done[0].latest_ns else 0.0


@detector("sequence.start_without_unload", told(State.START, Role.UNLOAD_SOLENOID, lambda cell: cell.first is True))
def start_without_unload(subject: Subject, check: str, command: Command) -> Finding:
    """Decide whether unload was left out while the motor started.

    A sample in the unloaded part of a start shows the state of the command; one start needs no more than one.
    """
    starts = starts_of(subject)
    if not starts:
        return cannot_tell(check, _NO_START)
    lacking: list[Start] = []
    judged: list[Start] = []
    lasted: list[float] = []
    unsure = 0
    for start in starts:
        run = run_of(subject, start)
        seen = None if run is None else _unloading(subject, command, start, run)
        if seen is None:
            continue
        least_s, most_s, known_s = seen
        judged.append(start)
        if most_s < 0.5 * known_s:
            lacking.append(start)
            lasted.append(known_s - most_s)
        elif least_s < 0.5 * known_s:
            unsure += 1
    what = "unload was not commanded"
    return counted(subject, check, command, Breaches(lacking, judged, starts, lasted, unsure), what)


def _unloading(subject: Subject, command: Command, start: Start, run: Run) -> tuple[float, float, float] | None:
    """Least and most seconds that unload acted, and of how many known, where a start is surely unloaded; None: unseen.

    Where no command ends it that part is half the delay of the profile, at least as long as a few seconds.
    """
    others: dict[Role, Command] = {
        role: c for role, c in commands_of(subject).items() if role is not Role.UNLOAD_SOLENOID
    }
    ended, by_command, _ = start_ends(run, others, subject.limits, subject.profile)
    delay_s = max(subject.limits["sequence.unloaded_start_s"], subject.profile.times.bypass_delay_after_start_s / 2)
    end = min(start.earliest_ns + round(delay_s * NS), run.last_ns)
    end = min(end, ended) if by_command else end
    if end <= start.latest_ns or not command.sampled_within(start.latest_ns, end):
        return None
    known_s = command.known_s(start.latest_ns, end)
    if known_s < (end - start.latest_ns) / NS / 2:
        return None
    return *command.acting_bounds_s(start.latest_ns, end), known_s


@detector("sequence.restart_too_soon", met)
def restart_too_soon(subject: Subject, check: str) -> Finding:
    """Decide whether the motor was started again inside the profile's anti-recycle time."""
    limit = subject.profile.times.anti_recycle_s
    rests = short_rests(subject, limit)
    if not rests.all:
        return cannot_tell(check, "no start with the stop before it in the window")
    least = min(rests.all, key=lambda s: s.off_s or 0.0)
    low, high = rest_s(subject, least)
    words = f"{rests.words} starts came within {limit:.0f} s of a stop; the shortest rest {least.off_s:.0f} s."
    shown = (rests.short or rests.all)[-1]
    cites = tuple(cite for s in rests.short or rests.all for cite in s.cites)
    seen = Seen((shown.earliest_ns, shown.latest_ns), cites, None, max(2, len(rests.short) or len(rests.all)))
    measured = Value(least.off_s, low, high, "s", limit=limit, above=False)
    if rests.short and max(rest_s(subject, s)[0] for s in rests.short) < subject.limits["states.dropout_s"]:
        why = "as sampled it may be a drop-out of the contactor"
        return make_finding(subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not=why)
    if rests.unsure and not rests.short:
        why = "the ends of the rests are known too coarsely"
        return make_finding(subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not=why)
    outcome = Outcome.PRESENT if rests.short else Outcome.ABSENT
    return make_finding(subject, check, outcome, words, measured, seen)
