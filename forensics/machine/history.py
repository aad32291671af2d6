"""Which starts, stops and runs a check may look at: those up to the failure."""

from __future__ import annotations

import numpy as np

from forensics.machine.states import Run
from forensics.machine.subject import Subject
from forensics.model.findings import Start, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Role

_SLACK_S = 60
_SHORTEST_RUN_S = 5.0
_CURRENTS = (Role.MOTOR_AMPS, Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)


def starts_before(subject: Subject) -> tuple[Start, ...]:
    """Starts up to the failure, history included; a minute of slack for what is no more exact than that."""
    until = subject.record.failure_ns + _SLACK_S * NS
    return tuple(s for s in subject.starts if s.earliest_ns <= until)


def last_start(subject: Subject) -> Start | None:
    """The start that led into the failure, or the last before it."""
    starts = starts_before(subject)
    return starts[-1] if starts else None


def stops_before(subject: Subject) -> tuple[Stop, ...]:
    """Stops up to the failure and the one that it caused, history included."""
    until = subject.record.failure_ns + _SLACK_S * NS
    return tuple(s for s in subject.stops if s.earliest_ns <= until)


def run_of(subject: Subject, start: Start) -> Run | None:
    """The run that a start began."""
    return next((run for run in subject.runs if run.first_ns == start.time_ns), None)


def unseen_run(subject: Subject) -> str:
    """Why the run that failed may be missing from the record; empty where it is there or would have been seen.

    A machine that trips seconds after its start runs between two samples of a coarse log: what the runs before show is
    then no answer about that run.
    """
    record = subject.record
    currents = [p for role in _CURRENTS for p in record.samples.get(role, ()) if len(p)]
    statuses = [p for p in record.switches.get(Role.RUN_STATUS, ()) if len(p)]
    interval_s = min((point.interval_s for point in currents or statuses), default=float("inf"))
    if not np.isfinite(interval_s):
        return ""
    reach_ns = round(max(_SLACK_S, 1.5 * interval_s) * NS)
    seen = any(
        run.first_ns <= record.failure_ns + reach_ns and record.failure_ns <= run.last_ns + reach_ns
        for run in subject.runs
    )
    if seen or interval_s <= _SHORTEST_RUN_S:
        return ""
    return f"no run is seen at the failure; one between two samples {interval_s:g} s apart would not be"
