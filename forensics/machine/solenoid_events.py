"""Edges of solenoids, run and trip, each with amps, oil pressure, discharge temperature and slide around it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from forensics.machine.subject import Subject
from forensics.model.events import events_of, interval_of
from forensics.model.findings import SwitchEvent
from forensics.model.points import NS, Reading, Samples
from forensics.model.record import Record
from forensics.model.switches import EVENT_SWITCHES, Switch
from forensics.model.vocabulary import Role

READINGS = (
    Role.MOTOR_AMPS,
    Role.OIL_PRESSURE,
    Role.OIL_PRESSURE_DIFFERENCE,
    Role.DISCHARGE_TEMPERATURE,
    Role.SLIDE_POSITION,
)


def solenoid_events(subject: Subject) -> tuple[SwitchEvent, ...]:
    """List every edge of the commands and of trip with the readings before and after it.

    Before is the last usable sample at or before the earliest moment of the edge, after the first one later than its
    latest moment, each with its age in s; the nearest is never used. An edge carries the uncertainty of its clock.

    Returns
    -------
    tuple of SwitchEvent
        In time order of the latest moment.
    """
    record = subject.record
    points = [p for p in (record.fastest(role) for role in READINGS) if p is not None and len(p.usable)]
    events: list[SwitchEvent] = []
    for role in sorted(EVENT_SWITCHES):
        switch = record.fastest_switch(role)
        if switch is None or not len(switch):
            continue
        events.extend(_events(record, switch, points))
    # the switches are asked in turn, so that one stable sort by time leaves equal times by role
    events.sort(key=attrgetter("latest_ns"))
    return tuple(events)


def _events(record: Record, switch: Switch, points: list[Samples]) -> list[SwitchEvent]:
    edges = events_of(switch)
    if not edges:
        return []
    wide_s = record.uncertainty_s(switch.origin.clock)
    wide = round(wide_s * NS) if np.isfinite(wide_s) else 0
    late_s = record.late_s(switch.origin.source)
    spans = np.array([interval_of(switch.origin, edge, late_s) for edge in edges], dtype=np.int64)
    earliest, latest = spans[:, 0] - wide, spans[:, 1] + wide
    before = {p.role: _readings(p, earliest, later=False) for p in points}
    after = {p.role: _readings(p, latest, later=True) for p in points}
    source, column = switch.origin.source, switch.origin.column
    rows = enumerate(zip(earliest.tolist(), latest.tolist(), edges, strict=True))
    return [
        SwitchEvent(
            earliest_ns=a,
            latest_ns=b,
            role=switch.role,
            to=edge.to,
            before=_Around(before, i),
            after=_Around(after, i),
            source=source,
            column=column,
            row=edge.row,
        )
        for i, (a, b, edge) in rows
    ]


@dataclass(frozen=True, slots=True)
class _Column:
    """Readings of one point against every edge of a switch: value, age in s, index, and whether there is one."""

    value: list[float]
    age_s: list[float]
    index: list[int]
    there: list[bool]


class _Around(Mapping[Role, Reading]):
    """Readings around one edge, made when they are asked for: a month of pulses has a hundred thousand of them."""

    __slots__ = ("_columns", "_place")

    def __init__(self, columns: Mapping[Role, _Column], place: int) -> None:
        self._columns, self._place = columns, place

    def __getitem__(self, role: Role) -> Reading:
        column, place = self._columns[role], self._place
        if not column.there[place]:
            raise KeyError(role)
        return Reading(column.value[place], column.age_s[place], column.index[place])

    def __iter__(self) -> Iterator[Role]:
        return (role for role, column in self._columns.items() if column.there[self._place])

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def __repr__(self) -> str:
        return repr(dict(self))


def _readings(point: Samples, times: NDArray[np.int64], *, later: bool) -> _Column:
    usable = point.usable
    index = np.searchsorted(usable.t, times, side="right") - (0 if later else 1)
    good = (index >= 0) & (index < len(usable.t))
    safe = np.clip(index, 0, len(usable.t) - 1)
    values, ages = usable.v[safe], np.abs(usable.t[safe] - times) / NS
    hold = point.origin.hold_s
    if hold is not None and not later:
        good &= ages <= hold
    return _Column(values.tolist(), ages.tolist(), safe.tolist(), good.tolist())
