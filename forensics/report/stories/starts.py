"""Stories over many starts: where the slide stood and what the motor drew at each, or how long each rest was."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Final

from forensics.investigation import Investigation
from forensics.model.findings import Start
from forensics.model.points import NS
from forensics.model.vocabulary import Answer, StopKind
from forensics.report.figures.cycles import stop_at_failure
from forensics.report.stories.quantities import panel_title
from forensics.report.svg import elements as svg
from forensics.report.svg.multiples import Multiple, Note, Series
from forensics.report.svg.scale import clock_words
from forensics.report.words.units import ReportTime, readable

RATIO_LIMIT: Final = "starts.unloaded_ratio_max"
LEAST_SPAN = 20.0
_FEWEST = 2
_MINUTE_S = 60.0


def starts_panels(work: Investigation, names: Sequence[str], clock: ReportTime) -> list[Multiple]:
    """Slide position and settled ratio of each start; a quantity that no start has gives no panel."""
    shown = [s for s in work.starts if s.time_ns <= work.record.failure_ns]
    panels = []
    if "slide_at_start" in names and any(s.slide_percent is not None for s in shown):
        panels.append(_slide(shown))
    if "settled_ratio" in names and any(s.ratio is not None for s in shown):
        panels.append(_ratio(shown, work.limits[RATIO_LIMIT]))
    if not panels:
        return []
    notes = _notes(work, shown, clock)
    first = panels[0]
    heights = {x: y for one in first.series for run in one.runs for x, y in run}
    placed = [Note(x, heights[x], words) for x, words in notes if x in heights]
    return [dataclasses.replace(first, notes=placed), *panels[1:]]


def _seconds(start: Start) -> float:
    return start.time_ns / NS


def _slide(starts: Sequence[Start]) -> Multiple:
    series = []
    for loaded in (False, True):
        group = [s for s in starts if s.slide_percent is not None and (s.unloaded is Answer.NO) is loaded]
        if group:
            points = [(_seconds(s), float(s.slide_percent or 0.0)) for s in group]
            series.append(_marks(points, loaded=loaded))
    return Multiple(panel_title("slide_at_start", "%"), series, from_zero=True, least_span=LEAST_SPAN)


def _ratio(starts: Sequence[Start], limit: float) -> Multiple:
    series = []
    for loaded in (False, True):
        group = [s for s in starts if s.ratio is not None and (s.unloaded is Answer.NO) is loaded]
        if not group:
            continue
        points = [(_seconds(s), float(s.ratio or 0.0)) for s in group]
        spread = [(_seconds(s), s.low, s.high) for s in group if s.low is not None and s.high is not None]
        series.append(_marks(points, loaded=loaded, spread=spread))
    words = f"limit for an unloaded start, {limit:.2f}"
    return Multiple(panel_title("settled_ratio", ""), series, limits=[(limit, words)], from_zero=True)


def _marks(
    points: list[tuple[float, float]], *, loaded: bool, spread: Sequence[tuple[float, float, float]] = ()
) -> Series:
    colour = svg.ALERT if loaded else svg.GREY
    end = "started loaded" if loaded else ""
    return Series([points], marks=True, colour=colour, diamond=loaded, end=end, spread=spread)


def _notes(work: Investigation, starts: Sequence[Start], clock: ReportTime) -> list[tuple[float, str]]:
    """When the loaded starts began, what was before, and which starts ended in a trip."""
    notes = []
    judged = [s for s in starts if s.unloaded is not Answer.CANNOT_TELL]
    loaded = [s for s in judged if s.unloaded is Answer.NO]
    if len(loaded) >= _FEWEST:
        before = [s for s in judged if s.time_ns < loaded[0].time_ns]
        if before:
            words = f"until {clock_words(clock, before[-1].time_ns)} every start was unloaded"
            notes.append((_seconds(before[len(before) // 2]), words))
        notes.append((_seconds(loaded[0]), f"{clock_words(clock, loaded[0].time_ns)}: first loaded start"))
    tripped = _tripped(work, starts)
    if tripped:
        at = [f"{clock.local(stop_ns):%H:%M}" for _, stop_ns in tripped[-_FEWEST:]]
        words = f"tripped at {' and '.join(at)}" if len(tripped) <= _FEWEST else f"{len(tripped)} trips, last {at[-1]}"
        notes.append((_seconds(tripped[-1][0]), words))
    return notes


def _tripped(work: Investigation, starts: Sequence[Start]) -> list[tuple[Start, int]]:
    """Starts whose run ended in the trip of the failure, by its words, with the time of the trip."""
    last = stop_at_failure(work.stops, work.record.failure_ns)
    said = "" if last is None else last.cause_text
    found = []
    for n, start in enumerate(starts):
        until = starts[n + 1].time_ns if n + 1 < len(starts) else None
        stop = next((s for s in work.stops if s.time_ns > start.time_ns and (until is None or s.time_ns < until)), None)
        if stop is not None and stop.kind is StopKind.TRIP and stop.cause_text == said:
            found.append((start, stop.time_ns))
    return found


def rests_panels(work: Investigation, limit_s: float) -> list[Multiple]:
    """The rest before each start of the window, against the least that is asked for."""
    record = work.record
    shown = [s for s in work.starts if s.off_s is not None and s.in_window and s.time_ns <= record.failure_ns]
    if len(shown) < _FEWEST:
        return []
    short = [s for s in shown if (s.off_s or 0.0) < limit_s]
    series = []
    for group, alert in (([s for s in shown if s not in short], False), (short, True)):
        if group:
            points = [(_seconds(s), (s.off_s or 0.0) / _MINUTE_S) for s in group]
            words = f"{len(group)} short rests" if alert else ""
            colour = svg.ALERT if alert else svg.GREY
            series.append(Series([points], marks=True, colour=colour, diamond=alert, end=words))
    least = min(shown, key=lambda s: s.off_s or 0.0)
    notes = [Note(_seconds(least), (least.off_s or 0.0) / _MINUTE_S, f"shortest: {readable(least.off_s)} s")]
    limits = [(limit_s / _MINUTE_S, f"least rest, {readable(limit_s / _MINUTE_S)} min")]
    return [Multiple(panel_title("rest_before_start", "min"), series, limits, notes, from_zero=True)]
