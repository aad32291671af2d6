"""What the panel or the protection said at the failure, letter for letter."""

from __future__ import annotations

from forensics.investigation import Investigation
from forensics.machine.trip_words import trip_texts
from forensics.report.figures.cycles import stop_at_failure
from forensics.report.words.units import ReportTime

_MOST = 2


def panel_said(work: Investigation, clock: ReportTime) -> str:
    """The words of the trip at the failure in quotation marks with their time; empty where the exports hold none.

    The text that ended the run comes first, then lines of event lists near the failure that speak of a quantity.
    """
    stop = stop_at_failure(work.stops, work.record.failure_ns)
    said: dict[str, str] = {}
    if stop is not None and stop.cause_text:
        said[stop.cause_text] = clock.spoken(stop.time_ns)
    for _, line in trip_texts(work.subject):
        # alarm lists name the alarm in the text, in the value or as the point
        words = next((w for w in (line.text, line.value, line.point) if len(w.split()) > 1), line.text or line.point)
        said.setdefault(words, clock.spoken(line.time_ns))
    return "; ".join(f"“{words}”, {when}" for words, when in list(said.items())[:_MOST])
