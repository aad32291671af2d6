"""What of a switch is an event, and in which interval it happened: one answer for clocks, order, runs and events."""

from __future__ import annotations

from forensics.model.points import NS, ON, Edge, Origin
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role


def events_of(switch: Switch) -> tuple[Edge, ...]:
    """Edges of a switch; of a trip that a log of changes begins with, its first row too.

    The first row of a log of changes is a state that stood before, and no event. A list of alarms holds nothing but
    events: where it begins with a trip, that is one.
    """
    edges = switch.edges
    if switch.role is not Role.TRIP or switch.origin.recorded is not Recorded.CHANGE or not len(switch):
        return edges
    if switch.state[0] != ON:
        return edges
    first = int(switch.t[0])
    return (Edge(first, first, ON, int(switch.row[0])), *edges)


def interval_of(origin: Origin, edge: Edge, late_s: float = 0.0) -> tuple[int, int]:
    """Earliest and latest moment of an edge by its own clock, ns.

    A stamp says when its second (or other step) began, not when in it; a line of a list comes up to ``late_s`` after
    its event.
    """
    return edge.earliest_ns - round(late_s * NS), edge.latest_ns + round(origin.resolution_s * NS)
