"""The record itself: exports with their accounts, clocks, the whole window, switch events, the slower pictures."""

from __future__ import annotations

import pandas as pd

from forensics.errors import Severity
from forensics.model.points import Samples
from forensics.model.switches import Switch
from forensics.report import tables
from forensics.report.context import ReportContext
from forensics.report.data_quality import data_quality
from forensics.report.figures.solenoids import event_overlays
from forensics.report.figures.timeline import timeline as draw_timeline
from forensics.report.figures.trends import oil_trends, saturation_picture, slide_response
from forensics.report.sections.show import show_lines, show_table, show_text
from forensics.report.sections.starts_and_stops import LAST_ROWS, last_of, show_or_say
from forensics.report.words.units import number


def evidence(sheet: ReportContext) -> None:
    """Display the exports with their accounts, what was detected, and what was set aside."""
    work = sheet.investigation
    show_text(data_quality(sheet.told, sheet.limits))
    show_table(
        tables.sources_table(sheet.told), "Exports, their hashes, and the account of every row", key="table-sources"
    )
    show_table(tables.set_aside_table(sheet.told), "Rows set aside, by reason", none="No row was set aside.")
    show_table(
        tables.missing_cells_table(sheet.told),
        "Cells without a reading, by reason",
        none="No cell is without a reading.",
    )
    detections = [(r.exhibit.path, d.what, d.value, d.evidence) for r in work.readings for d in r.detections]
    show_table(
        pd.DataFrame(detections, columns=["source", "what", "read as", "evidence"]),
        "How the exports were read: detected, or given in the case file",
        none="Nothing had to be detected: the case file says it all.",
        folded=True,
    )
    show_table(_points(sheet), "Points as they were bound", key="table-points", none="No point is bound.", folded=True)
    notes = [f"{r.exhibit.path}: {note}" for r in work.readings for note in r.notes]
    show_lines("Notes on the exports", notes + [str(p) for p in work.problems if p.severity is Severity.NOTE])


def _points(sheet: ReportContext) -> pd.DataFrame:
    record = sheet.investigation.record
    rows = []
    bound: list[Samples | Switch] = [p for found in record.samples.values() for p in found]
    bound += [p for found in record.switches.values() for p in found]
    for p in bound:
        o = p.origin
        rows.append(
            (
                p.role.value,
                o.column,
                o.source,
                o.clock,
                o.recorded.value,
                number(p.interval_s, digits=3),
                str(len(p)),
            )
        )
    return pd.DataFrame(rows, columns=["role", "column", "source", "clock", "recorded", "usual interval, s", "rows"])


def clocks(sheet: ReportContext) -> None:
    """Display the clocks with their offsets."""
    caption = "Clocks: offset is clock minus reference"
    show_table(tables.clocks_table(sheet.told), caption, key="table-clocks")


def timeline(sheet: ReportContext) -> None:
    """Display the timeline of the whole window."""
    work = sheet.investigation
    about, key = "The whole window that is judged.", "timeline-window"
    span = work.record.window
    sheet.show(draw_timeline(work.record, work.spans, sheet.clock, sheet.display, span=span, key=key, about=about))


def solenoids(sheet: ReportContext) -> None:
    """Display all events of each kind over each other, and the last ones with their readings."""
    work = sheet.investigation
    plates = event_overlays(work.record, work.events, sheet.display, sheet.clock)
    for plate in plates:
        sheet.show(plate)
    if not plates and work.events:
        show_text("No point is sampled fast enough to be drawn around the events.")
    table = tables.events_table(sheet.told, sheet.clock, sheet.display)
    caption = last_of("Events of the switches with the readings before and after them (age in s)", len(table))
    show_table(table.tail(LAST_ROWS), caption, none="No change of a solenoid was found.", folded=True)


def slow_pictures(sheet: ReportContext) -> None:
    """Display the pictures over the whole record: saturation, slide response, oil and filter."""
    work = sheet.investigation
    subject = work.subject
    show_or_say(sheet, saturation_picture(work.record, subject.saturation, subject.saturation_missing, sheet.display))
    show_or_say(sheet, slide_response(work.record, sheet.display))
    show_or_say(sheet, oil_trends(work.record, sheet.display, sheet.clock))
