"""A point that is on, off or unknown, as it was recorded: its edges, and where its state is known at all."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS, ON, UNKNOWN, Edge, Origin, Span
from forensics.model.spacing import covered_seconds, usual_step_s
from forensics.model.vocabulary import Recorded, Role

EVENT_SWITCHES = (
    Role.LOAD_SOLENOID,
    Role.UNLOAD_SOLENOID,
    Role.BYPASS_SOLENOID,
    Role.RUN_COMMAND,
    Role.RUN_STATUS,
    Role.TRIP,
)
"""Switches whose edges are events of their own: they are listed and put in order."""


@dataclass(frozen=True)
class Switch:
    """A point that is on, off or unknown.

    Attributes
    ----------
    t, state, row
        Stamps (ns UTC, int64), states (int8: 1 on, 0 off, -1 unknown) and source rows, shape (n,).
    """

    role: Role
    origin: Origin
    t: NDArray[np.int64]
    state: NDArray[np.int8]
    row: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.t)

    @cached_property
    def interval_s(self) -> float:
        """Typical spacing in s; for change logs and event lists the stamps' resolution."""
        if self.origin.recorded is Recorded.CHANGE:
            return max(self.origin.resolution_s, 0.001)
        if len(self.t) <= 1:
            return float("inf")
        return usual_step_s(self.t)

    @cached_property
    def covered_s(self) -> float:
        """Seconds of the record that the states speak for: gaps of a periodic log are left out."""
        return covered_seconds(self.t, self.origin.recorded, self.interval_s)

    @cached_property
    def edges(self) -> tuple[Edge, ...]:
        """Changes between known states. A spell of unknown between two states widens the edge, it adds none.

        The first row is a state, not an edge. In change logs an edge is at its stamp, to the stamps' resolution.
        """
        known = self.state != UNKNOWN
        t, state, row = self.t[known], self.state[known], self.row[known]
        change = np.flatnonzero(state[1:] != state[:-1]) + 1
        position = np.flatnonzero(known)
        first, latest = t[change - 1], t[change]
        if self.origin.recorded is Recorded.CHANGE:
            # a state that is held ends where the log says that it is not known, not at its own row
            held_until = self.t[np.minimum(position[change - 1] + 1, len(self.t) - 1)]
            first = np.where(position[change] - position[change - 1] == 1, latest, held_until)
        columns = (first, latest, state[change], row[change])
        return tuple(map(Edge, *(column.tolist() for column in columns)))

    @cached_property
    def _runs(self) -> tuple[NDArray[np.int8], NDArray[np.int64], NDArray[np.int64]]:
        """State, begin and end (ns) of every run of equal rows, each believed until the next or its hold limit."""
        if not len(self.t):
            return self.state, self.t, self.t
        gap_ns = self._believed_ns()
        change = np.flatnonzero((self.state[1:] != self.state[:-1]) | (np.diff(self.t) > gap_ns)) + 1
        starts = np.concatenate(([0], change))
        last = self.t[np.concatenate((change, [len(self.t)])) - 1]
        step_ns = round(self.interval_s * NS) if np.isfinite(self.interval_s) else 0
        until = np.append(self.t[change], last[-1] + min(gap_ns, step_ns))
        # held without limit stands for a time later than any stamp: a sum with it must not run over
        return self.state[starts], self.t[starts], np.minimum(until, last + np.minimum(gap_ns, until - last))

    def _believed_ns(self) -> int:
        if self.origin.hold_s is not None:
            return round(self.origin.hold_s * NS)
        if self.origin.recorded is Recorded.CHANGE:
            return 2**62
        if not np.isfinite(self.interval_s):  # one sample tells of its own moment alone
            return 0
        return round(self.interval_s * NS * 3)

    @cached_property
    def on_times(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Begins and ends (ns) of the spans in which the switch is known to be on, shape (n,) each."""
        state, begin, end = self._runs
        on = (state == ON) & (end > begin)
        return begin[on], end[on]

    @cached_property
    def covered_times(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Begins and ends (ns) of the spans in which the state is known at all, shape (n,) each."""
        state, begin, end = self._runs
        known = (state != UNKNOWN) & (end > begin)
        begin, end = begin[known], end[known]
        if not len(begin):
            return begin, end
        apart = np.flatnonzero(begin[1:] > end[:-1]) + 1
        return begin[np.concatenate(([0], apart))], end[np.concatenate((apart, [len(end)])) - 1]

    @cached_property
    def on_spans(self) -> tuple[Span, ...]:
        """Spans in which the switch is known to be on."""
        return tuple(map(Span, *(times.tolist() for times in self.on_times)))

    @cached_property
    def covered(self) -> tuple[Span, ...]:
        """Spans in which the state is known at all. Outside them the answer is unknown, never off."""
        return tuple(map(Span, *(times.tolist() for times in self.covered_times)))

    def at(self, time_ns: int) -> int:
        """State at a time: ON, OFF, or UNKNOWN where it is not covered."""
        index = int(self.t.searchsorted(time_ns, side="right")) - 1
        if index < 0 or time_ns - int(self.t[index]) > self._believed_ns():
            return UNKNOWN
        return int(self.state[index])

    def shifted(self, offset_ns: int) -> Switch:
        """The same switch on another clock: ``offset_ns`` is taken off every stamp."""
        return replace(self, t=self.t - np.int64(offset_ns)) if offset_ns else self
