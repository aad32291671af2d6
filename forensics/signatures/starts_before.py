"""Which starts, stops and runs a check may look at: those up to the failure."""

from __future__ import annotations

from forensics.findings import Start, Stop
from forensics.record import NS
from forensics.signatures.base import Subject
from forensics.states import Run

_SLACK_S = 60


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
