"""The record cut into runs and operating states."""

from __future__ import annotations

from dataclasses import dataclass

from forensics.record import Edge
from forensics.vocabulary import State


@dataclass(frozen=True, slots=True)
class StateSpan:
    """One state, half-open in ns UTC; ``inferred`` where commands did not settle it."""

    state: State
    start_ns: int
    end_ns: int
    inferred: bool


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the motor: current on to current off. None where the record begins or ends inside it."""

    begin: Edge | None
    end: Edge | None
    first_ns: int
    last_ns: int
    seen_in: str
