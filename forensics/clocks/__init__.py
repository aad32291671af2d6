"""Offset and drift between clocks, each with an interval that holds; and the provable order of events.

Offset of a clock = clock minus reference, so reference time = stamp - offset. It is estimated from events that both
clocks saw, each an interval by its sampling; where none is shared, from a quantity that both logged.
"""

from forensics.clocks.clock_fit import ClockFit
from forensics.clocks.estimate import align, fit_clocks
from forensics.clocks.order import NamedEvent, events_near, order_all, order_of
from forensics.clocks.site_checks import hold_against_checks

__all__ = [
    "ClockFit",
    "NamedEvent",
    "align",
    "events_near",
    "fit_clocks",
    "hold_against_checks",
    "order_all",
    "order_of",
]
