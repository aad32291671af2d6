"""Stories over time: the failure close up, or the hours before it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

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


def close_span(failure_ns: int) -> Span:
    """From 30 s before the failure to 90 s after it."""
    return Span(failure_ns - round(CLOSE_BEFORE_S * NS), failure_ns + round(CLOSE_AFTER_S * NS))


def course_panels(
    work: Investigation, names: Sequence[str], display: str, *, span: Span, limits: Mapping[str, tuple[float, str]]
) -> list[Multiple]:
    """A panel for each quantity with readings in the span.

    Parameters
    ----------
    limits
        By quantity: a limit in canonical units, and its words without the number.
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
        drawn = [] if limit is None else [_limit(one, *limit)]
        series = [Series(runs, colour=svg.INK, width=1.4)]
        hatched = _hatched(work, span) if close else []
        panels.append(Multiple(one.title, series, drawn, _notes(one, work.record.failure_ns, runs), hatched))
    return panels


def _limit(one: Quantity, value: float, words: str) -> tuple[float, str]:
    shown = float(one.shown.array(np.array([value]))[0])
    return shown, f"{words}, {readable(shown)} {one.shown.text}".rstrip()


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
    notes = [Note(*high, f"highest {readable(high[1])} {unit}".rstrip())]
    if before and before[-1] != high:
        x, y = before[-1]
        notes.insert(0, Note(x, y, f"{readable(y)} {unit} at the failure".replace("  ", " ")))
    return notes
