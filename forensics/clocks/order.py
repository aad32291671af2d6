"""Every event is an interval; the order of two events is before, after or not provable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from forensics.model.events import events_of, interval_of
from forensics.model.findings import Ordered
from forensics.model.points import NS, OFF, ON, Edge, Samples
from forensics.model.record import Record
from forensics.model.switches import EVENT_SWITCHES, Switch
from forensics.model.vocabulary import Provable, Role
from forensics.rules import Limits


@dataclass(frozen=True, slots=True)
class NamedEvent:
    """An event with the interval in which it happened, on the reference clock.

    ``earliest_ns`` and ``latest_ns`` come from its sampling, the resolution of its stamps (``resolution_ns``) and, in a
    list, from how late its lines come; the uncertainty of its clock is added when it is held against an event of
    another clock.
    """

    name: str
    earliest_ns: int
    latest_ns: int
    clock: str
    source: str
    row: int
    resolution_ns: int = 0
    sampled: bool = False


def order_of(a: NamedEvent, b: NamedEvent, record: Record) -> Provable:
    """Whether a came before b.

    Events of one clock need no clock uncertainty between them; events of two clocks are widened by both. An event
    lies before the first sample of its new state, so touching intervals are in order.
    """
    unsure_s = 0.0 if a.clock == b.clock else record.uncertainty_s(a.clock) + record.uncertainty_s(b.clock)
    if unsure_s == float("inf"):
        return Provable.NOT_PROVABLE
    unsure_ns = round(unsure_s * NS)
    # samples of one source follow each other whatever their stamps were cut to
    one_log = a.source == b.source and a.sampled and b.sampled
    a_latest, b_latest = (one.latest_ns - (one.resolution_ns if one_log else 0) for one in (a, b))
    if a_latest + unsure_ns <= b.earliest_ns:
        return Provable.BEFORE
    if b_latest + unsure_ns <= a.earliest_ns:
        return Provable.AFTER
    return Provable.NOT_PROVABLE


def order_all(events: Sequence[NamedEvent], record: Record) -> tuple[Ordered, ...]:
    """Order of every pair, each pair once."""
    return tuple(Ordered(a.name, b.name, order_of(a, b, record)) for i, a in enumerate(events) for b in events[i + 1 :])


def events_near(record: Record, limits: Limits) -> tuple[NamedEvent, ...]:
    """Events around the failure: motor current on and off, the last edges of each switch, and lines of event lists."""
    reach_ns = round(limits["order.reach_s"] * NS)
    low, high = record.failure_ns - reach_ns, record.failure_ns + reach_ns
    found: list[NamedEvent] = []
    amps = record.fastest(Role.MOTOR_AMPS) or record.fastest(Role.AMPS_A)
    if amps is not None and len(amps.usable):
        top = float(amps.usable.v.max())
        edges = amps.crossings(limits["order.off_fraction"] * top, limits["order.on_fraction"] * top, 0.0)
        for edge in edges:
            if low <= edge.latest_ns <= high:
                word = "motor current begins" if edge.to == ON else "motor current ends"
                found.append(_named(word, amps, edge, record))
    for role in EVENT_SWITCHES:
        switch = record.fastest_switch(role)
        if switch is None:
            continue
        near = [e for e in events_of(switch) if low <= e.latest_ns <= high]
        for to, word in ((ON, "on"), (OFF, "off")):
            last = [e for e in near if e.to == to][-1:]
            found.extend(_named(f"{role.value} {word}", switch, e, record) for e in last)
    for line in record.log:
        if low <= line.time_ns <= high:
            name = " ".join(part for part in (line.point, line.value, line.text) if part)
            first = line.time_ns - round(record.late_s(line.source) * NS)
            found.append(NamedEvent(f"listed: {name}", first, line.time_ns + NS, line.clock, line.source, line.row))
    found.sort(key=lambda e: (abs(e.latest_ns - record.failure_ns), e.name))
    return _numbered(
        sorted(found[: limits.count("order.most_events")], key=lambda e: (e.latest_ns, e.earliest_ns, e.name))
    )


def _named(name: str, point: Samples | Switch, edge: Edge, record: Record) -> NamedEvent:
    origin = point.origin
    low, high = interval_of(origin, edge, record.late_s(origin.source))
    sampled = edge.earliest_ns != edge.latest_ns
    return NamedEvent(
        name=name,
        earliest_ns=low,
        latest_ns=high,
        clock=origin.clock,
        source=origin.source,
        row=edge.row,
        resolution_ns=high - edge.latest_ns,
        sampled=sampled,
    )


def _numbered(events: list[NamedEvent]) -> tuple[NamedEvent, ...]:
    """Names are unique: the second of one name is numbered."""
    seen: dict[str, int] = {}
    out = []
    for event in events:
        seen[event.name] = seen.get(event.name, 0) + 1
        name = event.name if seen[event.name] == 1 else f"{event.name} ({seen[event.name]})"
        out.append(replace(event, name=name))
    return tuple(out)
