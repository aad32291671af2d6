"""The sections of the report, each one call of the incident notebook: they display, and change nothing."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from forensics import tables
from forensics.errors import Severity
from forensics.figures.timeline import timeline as draw_timeline
from forensics.record import NS, Span
from forensics.report.markup import render, show_markup, show_plate, table_markup
from forensics.report.page_one import page_one_values
from forensics.report.sheet import Sheet

CLOSE_BEFORE_S, CLOSE_AFTER_S = 600, 300
EVENTS_SHOWN = 60


def page_one(sheet: Sheet) -> None:
    """Display page one."""
    work = sheet.investigation
    values = page_one_values(
        sheet.findings,
        work.casefile,
        sheet.clock,
        left_out=[str(p) for p in work.problems if p.severity is not Severity.NOTE],
        next_tests=[(t.test, t.caution) for t in work.weighing.next_tests],
        reasons={str(h.mode): h.reason for h in work.weighing.hypotheses},
        tests_run=work.weighing.tests_run,
        known=sheet.known,
    )
    show_markup(render("page_one.html.j2", values))


def _table(table: pd.DataFrame, caption: str, *, key: str = "", none: str = "", rows: int = 200) -> None:
    if len(table):
        show_markup(table_markup(table, caption=caption, key=key, rows=rows))
    elif none:
        show_markup(render("note.html.j2", {"text": none}))


def evidence(sheet: Sheet) -> None:
    """Display the exports with their accounts, what was detected, and what was set aside."""
    work = sheet.investigation
    _table(tables.sources_table(sheet.findings), "Exports, their hashes, and the account of every row", key="table-sources")
    _table(tables.set_aside_table(sheet.findings), "Rows set aside, by reason", none="No row was set aside.")
    _table(tables.missing_cells_table(sheet.findings), "Cells without a reading, by reason", none="No cell is missing.")
    detections = [(r.exhibit.path, d.what, d.value, d.evidence) for r in work.readings for d in r.detections]
    _table(
        pd.DataFrame(detections, columns=["source", "what", "read as", "evidence"]),
        "What was detected, not told",
        none="Nothing had to be detected: the case file says it all.",
    )
    notes = [f"{r.exhibit.path}: {note}" for r in work.readings for note in r.notes]
    notes += [str(p) for p in work.problems if p.severity is Severity.NOTE]
    _lines("Notes on the exports", notes)


def _lines(title: str, lines: Sequence[str]) -> None:
    if lines:
        show_markup(render("lines.html.j2", {"title": title, "lines": list(lines)}))


def clocks(sheet: Sheet) -> None:
    """Display the clocks with their offsets, and the order of events that can be proved."""
    caption = "Clocks: offset is clock minus reference"
    _table(tables.clocks_table(sheet.findings), caption, key="table-clocks")


def timeline(sheet: Sheet) -> None:
    """Display the timeline of the failure, close up and over the whole window."""
    record = sheet.investigation.record
    close = Span(record.failure_ns - CLOSE_BEFORE_S * NS, record.failure_ns + CLOSE_AFTER_S * NS)
    for span, key, about in (
        (close, "timeline-failure", "The failure close up, ten minutes before it to five after."),
        (record.window, "timeline-window", "The whole window that is judged."),
    ):
        show_plate(
            draw_timeline(
                record, sheet.investigation.spans, sheet.clock, sheet.display, span=span, key=key, about=about
            )
        )


def starts(sheet: Sheet) -> None:
    """Display the starts."""
    share = sheet.findings.unloaded_starts
    text = f"Unloaded starts: {share.count} of {share.of} that could be judged; {share.cannot_tell} cannot be told."
    if share.fraction is not None and share.low is not None and share.high is not None:
        text += f" Share {share.fraction:.2f}, 95 % interval {share.low:.2f} to {share.high:.2f} (Wilson)."
    show_markup(render("note.html.j2", {"text": text}))
    _table(tables.starts_table(sheet.findings, sheet.clock).tail(60), "Starts, the last 60", none="No start was found.")


def stops(sheet: Sheet) -> None:
    """Display the stops and their coast-downs."""
    table = tables.stops_table(sheet.findings, sheet.clock, sheet.display).tail(60)
    _table(table, "Stops and coast-downs, the last 60", none="No stop was found.")


def solenoids(sheet: Sheet) -> None:
    """Display the events of the solenoids around the failure."""
    table = tables.events_table(sheet.findings, sheet.clock, sheet.display).tail(EVENTS_SHOWN)
    _table(table, f"Events of the solenoids, the last {EVENTS_SHOWN}", none="No solenoid is logged.")


def hypotheses(sheet: Sheet) -> None:
    """Display every mode with its grade and what it stands on, the order of events, and the robustness."""
    table = tables.hypotheses_table(sheet.findings)
    links = ("for", "against", "cannot tell")
    caption = f"All modes; {sheet.investigation.weighing.tests_run} checks were run"
    show_markup(table_markup(table, caption=caption, key="table-modes", links=links, known=sheet.known))
    _table(tables.order_table(sheet.findings), "Order of events", none="No pair of events was ordered.")
    _table(tables.robustness_table(sheet.findings), "What the verdict becomes when one thing is changed")


def findings(sheet: Sheet) -> None:
    """Display every finding with the rows that it stands on."""
    table = tables.findings_table(sheet.findings, sheet.clock, sheet.display)
    caption = "Findings: every check, its answer and the rows it stands on"
    show_markup(table_markup(table, caption=caption, key="table-findings", rows=len(table) or 1, anchors="finding"))


def method(sheet: Sheet) -> None:
    """Display what could be observed, the assumptions, and the limits that the case replaced."""
    _table(tables.observability_table(sheet.findings), "What these points and intervals can show", key="table-observability")
    _lines("Assumptions", sheet.findings.assumptions)
    _table(tables.overrides_table(sheet.findings), "Limits that the case replaced", none="No limit was replaced.")


def appendix(sheet: Sheet) -> None:
    """Display versions, hashes and how to run the case again."""
    _table(tables.packages_table(sheet.findings), "Packages")
    again, software = sheet.findings.reproduce, sheet.findings.software
    _lines(
        "To run it again",
        [
            f"command: {again.command}",
            f"hash of all inputs: {again.inputs_sha256}",
            f"hash of the rules: {software.rules_sha256}",
        ],
    )


def slow_pictures(sheet: Sheet) -> None:
    """Display the pictures over the whole record: saturation, slide response, oil and filter."""


def physical(sheet: Sheet) -> None:
    """Display what was seen, tested and measured by hand."""
    case = sheet.investigation.casefile
    rows = [
        (
            f"observation {n}",
            str(o.time or ""),
            o.kind,
            o.by,
            o.text,
            ", ".join(o.bears_on),
            "for" if o.supports else "against",
        )
        for n, o in enumerate(case.observation, start=1)
    ]
    rows += [
        (f"measurement {n}", str(m.time or ""), m.kind, m.by, f"{m.value:g} {m.unit} {m.text}".strip(), "", "")
        for n, m in enumerate(case.measurement, start=1)
    ]
    columns = ["evidence", "time as given", "kind", "by", "what", "bears on", "speaks"]
    if rows:
        markup = table_markup(
            pd.DataFrame(rows, columns=columns), caption="By hand", rows=len(rows), anchors="evidence"
        )
        show_markup(markup)
    else:
        show_markup(render("note.html.j2", {"text": "Nothing was seen, tested or measured by hand in this case."}))


def write(sheet: Sheet) -> None:
    """Write ``findings.json``, ``set_aside.csv`` and, where asked for, the tables as CSV."""
    from forensics.findings_file import dump_findings
    from forensics.intake.reading import write_set_aside
    from forensics.report.failure import write_whole

    if sheet.out is None:
        return
    write_set_aside(sheet.investigation.readings, sheet.out / "set_aside.csv")
    write_whole(sheet.out / "findings.json", dump_findings(sheet.findings).encode("utf-8"))
