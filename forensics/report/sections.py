"""The sections of the report, each one call of the incident notebook: they display, and change nothing."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from forensics.errors import Problem, Severity
from forensics.model.points import NS, Samples, Span, Switch
from forensics.report import tables
from forensics.report.context import ReportContext
from forensics.report.figures.cycles import start_overlay, start_ratios, stop_history, stop_overlay
from forensics.report.figures.equalisation import equalisation
from forensics.report.figures.matrices import hypothesis_matrix, order_matrix, robustness_map
from forensics.report.figures.solenoids import event_overlays
from forensics.report.figures.timeline import timeline as draw_timeline
from forensics.report.figures.trends import oil_trends, saturation_picture, slide_response
from forensics.report.figures.waveforms import waveform_plate
from forensics.report.job import show_job
from forensics.report.markup import LIST_ROWS, render, show_markup, table_markup
from forensics.report.page_one import Beside, cautions, page_one_values
from forensics.report.photographs import MOST_SHOWN, Photograph, photograph
from forensics.report.revision import earlier_findings, superseded
from forensics.report.units import number
from forensics.rules.detectability import detection_limits

CLOSE_BEFORE_S, CLOSE_AFTER_S = 600, 300
LAST_ROWS = 60
MOST_WAVEFORMS = 3
UNLOADED_LIMIT = "starts.unloaded_ratio_max"


def show_table(table: pd.DataFrame, caption: str, *, key: str = "", none: str = "", rows: int = LIST_ROWS) -> None:
    """Display a table, or a sentence where it is empty."""
    if len(table):
        show_markup(table_markup(table, caption=caption, key=key, rows=rows))
    elif none:
        show_text(none)


def show_text(text: str) -> None:
    """Display one paragraph."""
    show_markup(render("note.html.j2", {"text": text}))


def show_lines(title: str, lines: Sequence[str]) -> None:
    """Display a titled list, where there is anything in it."""
    if lines:
        show_markup(render("lines.html.j2", {"title": title, "lines": list(lines)}))


def page_one(sheet: ReportContext) -> None:
    """Display page one: verdict, evidence for and against, what the data cannot show, facts, cautions."""
    work = sheet.investigation
    case = work.casefile.case
    old = earlier_findings(sheet.out, work.case.path.parent, case.supersedes, case.revision, case.id)
    beside = Beside(
        left_out=[str(p) for p in work.problems if p.severity is not Severity.NOTE],
        next_tests=[(sheet.say(t.test), sheet.say(t.caution)) for t in work.weighing.next_tests],
        reasons={str(h.mode): sheet.say(h.reason) for h in work.weighing.hypotheses},
        tests_run=work.weighing.tests_run,
        known=sheet.known,
        changed=superseded(old, sheet.findings) if old is not None else None,
    )
    values = page_one_values(sheet.told, work.casefile, sheet.clock, sheet.limits, beside)
    show_markup(render("page_one.html.j2", values))


def evidence(sheet: ReportContext) -> None:
    """Display the exports with their accounts, what was detected, and what was set aside."""
    work = sheet.investigation
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
        "What was detected, not told",
        none="Nothing had to be detected: the case file says it all.",
    )
    show_table(_points(sheet), "Points as they were bound", key="table-points", none="No point is bound.")
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
    """Display the timeline of the failure, close up and over the whole window, and the waveforms."""
    work = sheet.investigation
    record = work.record
    close = Span(record.failure_ns - CLOSE_BEFORE_S * NS, record.failure_ns + CLOSE_AFTER_S * NS)
    for span, key, about in (
        (close, "timeline-failure", "The failure close up, ten minutes before it to five after."),
        (record.window, "timeline-window", "The whole window that is judged."),
    ):
        sheet.show(draw_timeline(record, work.spans, sheet.clock, sheet.display, span=span, key=key, about=about))
    waveforms(sheet, most=MOST_WAVEFORMS)


def waveforms(sheet: ReportContext, *, most: int = MOST_WAVEFORMS) -> None:
    """Display the waveform records nearest to the failure."""
    record = sheet.investigation.record
    nearest = sorted(record.waveforms, key=lambda w: abs(w.start_ns - record.failure_ns))[:most]
    for number_of, waveform in enumerate(nearest, start=1):
        sheet.show(waveform_plate(waveform, number_of, sheet.clock))
    if len(record.waveforms) > most:
        show_text(f"{len(record.waveforms) - most} more waveform records are not drawn.")


def starts(sheet: ReportContext) -> None:
    """Display the starts: the failing one over the others, all ratios, and their table."""
    work = sheet.investigation
    share = sheet.told.unloaded_starts
    text = f"Unloaded starts: {share.count} of {share.of} that could be judged; {share.cannot_tell} cannot be told."
    if share.fraction is not None and share.low is not None and share.high is not None:
        text += f" Share {share.fraction:.2f}, 95 % interval {share.low:.2f} to {share.high:.2f} (Wilson)."
    show_text(text)
    limit = sheet.limits[UNLOADED_LIMIT]
    sheet.show(start_overlay(work.record, work.starts, sheet.display, sheet.clock))
    sheet.show(start_ratios(work.starts, limit, sheet.clock))
    table = tables.starts_table(sheet.told, sheet.clock)
    show_table(table.tail(LAST_ROWS), _last("Starts", len(table)), none="No start was found.")


def _last(what: str, count: int) -> str:
    return what if count <= LAST_ROWS else f"{what}, the last {LAST_ROWS} of {count}"


def stops(sheet: ReportContext) -> None:
    """Display the stops: the one at the failure over the others, its equalisation, their measures and table."""
    work = sheet.investigation
    sheet.show(stop_overlay(work.record, work.stops, sheet.display, sheet.clock))
    sheet.show(equalisation(work.record, work.stops, sheet.display, sheet.clock))
    sheet.show(stop_history(work.stops, sheet.clock, sheet.display))
    table = tables.stops_table(sheet.told, sheet.clock, sheet.display)
    show_table(table.tail(LAST_ROWS), _last("Stops and coast-downs", len(table)), none="No stop was found.")


def solenoids(sheet: ReportContext) -> None:
    """Display all events of each kind over each other, and the last ones with their readings."""
    work = sheet.investigation
    plates = event_overlays(work.record, work.events, sheet.display, sheet.clock)
    for plate in plates:
        sheet.show(plate)
    if not plates and work.events:
        show_text("No point is sampled fast enough to be drawn around the events.")
    table = tables.events_table(sheet.told, sheet.clock, sheet.display)
    caption = _last("Events of the switches with the readings before and after them (age in s)", len(table))
    show_table(table.tail(LAST_ROWS), caption, none="No change of a solenoid was found.")


def slow_pictures(sheet: ReportContext) -> None:
    """Display the pictures over the whole record: saturation, slide response, oil and filter."""
    work = sheet.investigation
    subject = work.subject
    sheet.show(saturation_picture(work.record, subject.saturation, subject.saturation_missing, sheet.display))
    sheet.show(slide_response(work.record, sheet.display))
    sheet.show(oil_trends(work.record, sheet.display, sheet.clock))


def hypotheses(sheet: ReportContext) -> None:
    """Display every mode with its grade and what it stands on, the order of events, and the robustness."""
    weighing = sheet.investigation.weighing
    sheet.show(hypothesis_matrix(sheet.told))
    table = tables.hypotheses_table(sheet.told)
    reasons = {str(h.mode): sheet.say(h.reason) for h in weighing.hypotheses}
    table.insert(2, "why", [reasons.get(str(mode), "") for mode in table["mode"]])
    links = ("for", "against", "cannot tell")
    caption = f"All modes and what each grade stands on; {weighing.tests_run} checks were run"
    show_markup(table_markup(table, caption=caption, key="table-modes", links=links, known=sheet.known))
    next_tests = [
        (
            sheet.say(t.test),
            ", ".join(str(m) for m in t.splits),
            sheet.say(t.caution),
            "no" if t.non_destructive else "yes",
        )
        for t in weighing.next_tests
    ]
    show_table(
        pd.DataFrame(next_tests, columns=["test or change of the logging", "splits", "caution", "changes evidence"]),
        "Next tests, the best first",
        none="No further test is proposed.",
    )
    if sheet.told.verdict.chain:
        show_lines("Chain in provable order", [" → ".join(str(link) for link in sheet.told.verdict.chain)])
    sheet.show(order_matrix(sheet.told))
    sheet.show(robustness_map(sheet.told))


def physical(sheet: ReportContext) -> None:
    """Display what was seen, tested and measured by hand, the teardown against the data, and the photographs."""
    work = sheet.investigation
    case = work.casefile
    rows: list[tuple[str, ...]] = [
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
        (
            f"measurement {n}",
            str(m.time or ""),
            m.kind.replace("_", " "),
            m.by,
            f"{m.value:g} {m.unit} {m.text}".strip(),
            "",
            "",
        )
        for n, m in enumerate(case.measurement, start=1)
    ]
    columns = ["evidence", "time as given", "kind", "by", "what", "bears on", "speaks"]
    if rows:
        table = pd.DataFrame(rows, columns=columns)
        show_markup(
            table_markup(table, caption="Seen, tested and measured by hand", rows=len(rows), anchors="evidence")
        )
    else:
        show_text("Nothing was seen, tested or measured by hand in this case.")
    teardown = [
        (t.what, t.when, t.by, ", ".join(t.fits), ", ".join(t.speaks_against), ", ".join(t.data), t.note)
        for t in work.weighing.teardown
    ]
    names = ["what", "when", "by", "fits", "speaks against", "in the data", "note"]
    show_table(pd.DataFrame(teardown, columns=names), "Physical findings against the data, both ways")
    show_job(sheet)
    _photographs(sheet)


def _photographs(sheet: ReportContext) -> None:
    work = sheet.investigation
    folder = work.case.path.parent
    named = [(n, o) for n, o in enumerate(work.casefile.observation, 1) if o.photo]
    seen = [(n, o.text, photograph(folder, o.photo, drawn=k < MOST_SHOWN)) for k, (n, o) in enumerate(named)]
    shown = [(n, text, p) for n, text, p in seen if isinstance(p, Photograph)]
    if any(p.shown for _, _, p in shown):
        show_markup(render("photographs.html.j2", {"photos": [row for row in shown if row[2].shown]}))
    show_lines("Photographs not drawn here", [f"{p.path}, SHA-256 {p.sha256}" for _, _, p in shown if not p.shown])
    show_lines("Photographs that can't be shown", [str(p) for _, _, p in seen if isinstance(p, Problem)])


def findings(sheet: ReportContext) -> None:
    """Display every finding with the rows that it stands on."""
    table = tables.findings_table(sheet.told, sheet.clock, sheet.display)
    caption = "Findings: every check, its answer and the rows it stands on"
    show_markup(table_markup(table, caption=caption, key="table-findings", rows=len(table) or 1, anchors="finding"))


def method(sheet: ReportContext) -> None:
    """Display what could be observed, the assumptions, the limits in force and the cautions with their sources."""
    show_table(
        tables.observability_table(sheet.told),
        "What these points and intervals can show",
        key="table-observability",
    )
    show_table(
        tables.detection_table(detection_limits(sheet.investigation.record)),
        "Short events: the chance that this sampling caught one, min(1, length / interval)",
        key="table-detection",
    )
    show_lines("Assumptions", sheet.told.assumptions)
    replaced = tables.overrides_table(sheet.told, sheet.limits, sheet.display)
    show_table(replaced, "Limits that were replaced", none="No limit was replaced.")
    table = tables.limits_table(sheet.limits, sheet.display, sheet.say)
    show_markup(table_markup(table, caption="Limits in force", rows=max(len(table), 1), small=True))
    show_table(
        pd.DataFrame([row[1:] for row in cautions()[1]], columns=["caution", "source"]),
        "Cautions and where they come from",
    )


def appendix(sheet: ReportContext) -> None:
    """Display versions, hashes, parameters and how to run the case again."""
    show_table(tables.packages_table(sheet.told), "Packages")
    again, software = sheet.told.reproduce, sheet.told.software
    changed = ", ".join(sheet.changed_limits)
    show_lines(
        "To run it again",
        [
            f"command: {again.command}",
            f"hash of all inputs (SHA-256): {again.inputs_sha256}",
            f"hash of the rules (SHA-256): {software.rules_sha256}",
            f"case file: {sheet.investigation.case.path.name}",
            f"limits changed for this run, as given (in the units of the rules): {changed or 'none'}",
        ],
    )
