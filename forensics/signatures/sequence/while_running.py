"""Breaches of the sequence while the motor runs: both capacity valves at once, the unloading valve left open."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.machine.citations import rows_of
from forensics.machine.commands import Command
from forensics.machine.subject import Subject
from forensics.model.findings import Cite, Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role, State
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import met
from forensics.signatures.sequence.cells import commands_of, told

Times = NDArray[np.int64]
_FINE_S = 2.0
_SEVERAL = 3
_RUNNING = (State.LOAD, State.HOLD, State.UNLOAD)


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
    commands, window = commands_of(subject), subject.record.window
    load, unload = commands[Role.LOAD_SOLENOID], commands[Role.UNLOAD_SOLENOID]
    begin, end = both_acting(load.acting, unload.acting)
    inside = (end > window.start_ns) & (begin < subject.record.failure_ns + NS)
    begin, end = begin[inside], end[inside]
    total = float(np.sum(end - begin)) / NS
    step = max(load.interval_s, unload.interval_s)
    measured = Value(total, max(0.0, total - step), total + step, "s", "sequence.together_s", above=True)
    words = f"Both acted together for {total:.1f} s in the window, on {len(begin)} occasions."
    span = (int(begin[0]), int(end[-1])) if len(begin) else (window.start_ns, subject.record.failure_ns)
    cites = _rows(subject, Role.LOAD_SOLENOID, *span) + _rows(subject, Role.UNLOAD_SOLENOID, *span)
    seen = Seen(span, cites, step, max(2, len(begin)), rests_on_commands=True)
    longest = float(np.max(end - begin)) / NS if len(begin) else 0.0
    limit = subject.limits["sequence.together_s"]
    # of samples far apart one that shows both may be the edge of a scan; what stands over several is none
    if total > 0 and (total <= limit or (step > limit and longest < _SEVERAL * step)):
        return make_finding(
            subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not="edges of one scan look alike"
        )
    if total <= 0 and step > limit:
        why = f"samples every {step:g} s: both may have acted together for less"
        return make_finding(subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not=why)
    outcome = Outcome.PRESENT if total > 0 else Outcome.ABSENT
    return make_finding(subject, check, outcome, words, measured, seen)


@detector(
    "sequence.bypass_not_energised_running", told(State.HOLD, Role.BYPASS_SOLENOID, lambda cell: cell.first is True)
)
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
    sure = command.surely_known()
    open_s, first = _open_s(sure, begin, end)
    known = sum(sure.known_s(int(a), int(b)) for a, b in zip(begin, end, strict=True) if b > a)
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
