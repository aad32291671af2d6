"""One line of the list that a machine's controls keep."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Event:
    """A line of the controls' own list: time on the true clock (s of the run), point, new state, text."""

    time_s: float
    point: str
    state: str
    text: str
