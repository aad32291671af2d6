"""Stories over time: the failure close up, or the hours before it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forensics.investigation import Investigation
from forensics.model.points import NS, Span
from forensics.report.figures.cycles import stop_at_failure
from forensics.report.stories.quantities import Quantity, quantity, runs_between
from forensics.report.svg import elements as svg
from forensics.report.svg.multiples import Multiple, Note, Series
from forensics.report.words.units import readable

CLOSE_BEFORE_S, CLOSE_AFTER_S = 30.0, 90.0
CLOSE_SLOWEST_S = 30.0
_LEVEL_ROOM = 0.1
_SLIDE_SPAN, _AMPS_SPAN = 20.0, 0.2
_AMPS = ("motor_amps", "amps_a", "amps_b", "amps_c")


@dataclass(frozen=True)
class LimitOf:
    """The limit of a check and the value that was held against it, in canonical units."""

    value: float
    measured: float


def close_span(failure_ns: int) -> Span:
    """From 30 s before the failure to 90 s after it."""
    return Span(failure_ns - round(CLOSE_BEFORE_S * NS), failure_ns + round(CLOSE_AFTER_S * NS))


def course_panels(
    work: Investigation, names: Sequence[str], display: str, *, span: Span, limits: Mapping[str, LimitOf]
) -> list[Multiple]:
    """A panel for each quantity with readings in the span.

    Parameters
    ----------
    limits
        By quantity: a limit that its check held against readings of the quantity itself. One of a deviation from what
        is expected is no level, and is not drawn.
    """
    close = span.seconds <= CLOSE_BEFORE_S + CLOSE_AFTER_S
    panels = []
    for name in names:
        one = quantity(work.record, name, display)
        if one is None or (close and one.samples.interval_s > CLOSE_SLOWEST_S):
            continue
        runs = runs_between(one, span.start_ns, span.end_ns, zero_ns=0)
        if not runs:
            continue
        limit = limits.get(name)
        drawn = [] if limit is None or not _is_level(one, limit, runs) else [_limit(one, limit)]
        series = [Series(runs, colour=svg.INK, width=1.4)]
        hatched = _hatched(work, span) if close else []
        notes = _notes(one, work.record.failure_ns, runs)
        panels.append(Multiple(one.title, series, drawn, notes, hatched, least_span=_least_span(work, name)))
    return panels


def _is_level(one: Quantity, limit: LimitOf, runs: Sequence[Sequence[tuple[float, float]]]) -> bool:
    """Whether the check's own value is a reading of the quantity: it lies among those drawn."""
    values = [y for run in runs for _, y in run]
    shown = float(one.shown.array(np.array([limit.measured]))[0])
    room = _LEVEL_ROOM * (max(values) - min(values))
    return min(values) - room <= shown <= max(values) + room


def _limit(one: Quantity, limit: LimitOf) -> tuple[float, str]:
    shown = float(one.shown.array(np.array([limit.value]))[0])
    return shown, f"limit, {readable(shown)} {one.shown.text}".rstrip()


def _hatched(work: Investigation, span: Span) -> list[tuple[float, float]]:
    """The interval in which the motor current ended."""
    stop = stop_at_failure(work.stops, work.record.failure_ns)
    if stop is None or not span.holds(stop.time_ns):
        return []
    return [(stop.earliest_ns / NS, stop.latest_ns / NS)]


def _notes(one: Quantity, failure_ns: int, runs: list[list[tuple[float, float]]]) -> list[Note]:
    """The highest reading, and the last at or before the failure."""
    points = [p for run in runs for p in run]
    before = [p for p in points if p[0] * NS <= failure_ns]
    high = max(points, key=lambda p: p[1])
    unit = one.shown.text
    notes = []
    if before:
        x, y = before[-1]
        notes.append(Note(x, y, f"{readable(y)} {unit} at the failure".replace("  ", " ")))
    # what reads the same is said once
    if not before or readable(high[1], digits=2) != readable(before[-1][1], digits=2):
        notes.append(Note(*high, f"highest {readable(high[1])} {unit}".rstrip()))
    return notes


def _least_span(work: Investigation, name: str) -> float:
    """Least span of a value axis: of the slide in per cent of travel, of currents as a share of rated amps."""
    if name == "slide_position":
        return _SLIDE_SPAN
    rated = work.casefile.machine.rated_load_amps
    return _AMPS_SPAN * rated if rated and name in _AMPS else 0.0
