"""Commands by their hydraulic effect: load feeds, unload vents, bypass shut, whatever the electrical polarity."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from forensics.machine.runs import alive_until
from forensics.model.memo import kept_with_owner
from forensics.model.points import OFF, ON, UNKNOWN, Edge
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role
from forensics.rules.profiles import Profile

_FINE_S = 2.0


@dataclass(frozen=True)
class Command:
    """One command of the machine. ``switch`` is on where the command acts in its hydraulic sense."""

    role: Role
    switch: Switch

    @cached_property
    def _latest(self) -> list[int]:
        return [edge.latest_ns for edge in self.switch.edges]

    @cached_property
    def acting(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Starts and ends (ns UTC) of the spans in which it is known to act, shape (n,) each."""
        return self.switch.on_times

    @cached_property
    def known(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Starts and ends (ns UTC) of the spans in which its state is known, shape (n,) each."""
        return self.switch.covered_times

    def edges(self, start_ns: int, end_ns: int) -> tuple[Edge, ...]:
        """Edges with ``start_ns <= latest < end_ns``."""
        return self.switch.edges[bisect_left(self._latest, start_ns) : bisect_left(self._latest, end_ns)]

    def acting_s(self, start_ns: int, end_ns: int) -> float:
        """Seconds of a window in which it is known to act."""
        return _overlap_s(*self.acting, start_ns, end_ns)

    def acting_bounds_s(self, start_ns: int, end_ns: int) -> tuple[float, float]:
        """Least and most seconds of a window in which it acted: an edge between two samples is anywhere between."""
        acted = self.acting_s(start_ns, end_ns)
        least = most = acted
        # the state before an edge is held to its latest moment: there it may have ended, or begun, already
        for edge in self.edges(start_ns, 2**62):
            if edge.earliest_ns >= end_ns:
                break
            open_s = max(0, min(edge.latest_ns, end_ns) - max(edge.earliest_ns, start_ns)) / 1e9
            least, most = (least, most + open_s) if edge.to == ON else (least - open_s, most)
        return max(0.0, least), most

    def known_s(self, start_ns: int, end_ns: int) -> float:
        """Seconds of a window in which its state is known."""
        return _overlap_s(*self.known, start_ns, end_ns)

    def acts_at(self, time_ns: int) -> bool | None:
        """Whether it acts at a time; None where that is not known."""
        state = self.switch.at(time_ns)
        return None if state == UNKNOWN else state == ON

    @property
    def interval_s(self) -> float:
        """Sample interval of the point, s."""
        return self.switch.interval_s

    def sampled_within(self, start_ns: int, end_ns: int) -> bool:
        """Whether a row lies in a window, or the log writes every change: else a short command may have been missed."""
        if self.switch.origin.recorded is Recorded.CHANGE:
            return True
        low, high = np.searchsorted(self.switch.t, [start_ns, end_ns])
        return bool(high > low)

    def surely_known(self) -> Command:
        """The command with its state unknown between two samples that differ, where samples are far apart."""
        switch = self.switch
        if switch.origin.recorded is Recorded.CHANGE or switch.interval_s <= _FINE_S or len(switch) <= 1:
            return self
        last = np.flatnonzero(switch.state[1:] != switch.state[:-1])
        at = last + 1
        return replace(
            self,
            switch=replace(
                switch,
                t=np.insert(switch.t, at, switch.t[last] + 1),
                state=np.insert(switch.state, at, UNKNOWN).astype(np.int8),
                row=np.insert(switch.row, at, switch.row[last]),
            ),
        )


def _overlap_s(starts: NDArray[np.int64], ends: NDArray[np.int64], start_ns: int, end_ns: int) -> float:
    low = int(np.searchsorted(ends, start_ns, side="right"))
    high = int(np.searchsorted(starts, end_ns, side="left"))
    if high <= low:
        return 0.0
    inside = np.minimum(ends[low:high], end_ns) - np.maximum(starts[low:high], start_ns)
    return float(np.sum(np.maximum(inside, 0))) / 1e9


@kept_with_owner
def read_commands(record: Record, profile: Profile, *, fastest: bool = False) -> Mapping[Role, Command]:
    """Commands of the record by role, each turned so that *on* is its hydraulic effect by the profile's polarity.

    The bypass is left out where the profile has none. ``fastest`` takes the fastest log of a command however little of
    the record it covers, for what is over within seconds. Made once for a record and a profile.
    """
    polarity = profile.polarity
    straight = {
        Role.RUN_COMMAND: True,
        Role.RUN_STATUS: True,
        Role.LOAD_SOLENOID: polarity.load_solenoid.startswith("energise"),
        Role.UNLOAD_SOLENOID: polarity.unload_solenoid.startswith("energise"),
    }
    if polarity.has_bypass:
        straight[Role.BYPASS_SOLENOID] = polarity.bypass_solenoid == "energise-to-shut"
    found: dict[Role, Command] = {}
    for role, as_is in straight.items():
        switch = record.fastest_switch(role) if fastest else record.switch(role)
        if switch is None or not len(switch):
            continue
        held = _held_on(record, switch)
        found[role] = Command(role, held if as_is else _inverted(held))
    return found


def _held_on(record: Record, switch: Switch) -> Switch:
    """A change log with its last state believed for as long as its source goes on writing other rows."""
    if switch.origin.recorded is not Recorded.CHANGE:
        return switch
    until = alive_until(record, switch)
    if until <= switch.t[-1]:
        return switch
    return replace(
        switch,
        t=np.append(switch.t, np.int64(until)),
        state=np.append(switch.state, switch.state[-1]),
        row=np.append(switch.row, switch.row[-1]),
    )


def _inverted(switch: Switch) -> Switch:
    turned = np.where(switch.state == UNKNOWN, UNKNOWN, np.where(switch.state == ON, OFF, ON)).astype(np.int8)
    return replace(switch, state=turned)
