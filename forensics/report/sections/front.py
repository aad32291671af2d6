"""Page one, and what happened: the close-up of the failure, the words of the panel, a chronology with intervals."""

from __future__ import annotations

import dataclasses

import pandas as pd

from forensics.errors import Severity
from forensics.model.points import NS
from forensics.model.vocabulary import VerdictStatus
from forensics.report.binding.markup import render, show_markup
from forensics.report.context import ReportContext
from forensics.report.figures.timeline import timeline as draw_timeline
from forensics.report.page_one.next_steps import Step, next_steps, site_tests
from forensics.report.page_one.not_known import conflicts
from forensics.report.page_one.open_case import Row, leader_and_next, open_rows
from forensics.report.page_one.sheet import Beside, page_one_values
from forensics.report.page_one.trip_said import panel_said
from forensics.report.sections.show import show_table, show_text
from forensics.report.stories.courses import close_span
from forensics.report.stories.story import close_picture, story
from forensics.report.words.units import readable, roles_in_words
from forensics.report.written.revision import earlier_findings, superseded

CHRONOLOGY_S = 600.0


def page_one(sheet: ReportContext) -> None:
    """Display page one: verdict, what was said and seen, one picture, what shows it, what is open, what to do."""
    work = sheet.investigation
    case = work.casefile.case
    old = earlier_findings(sheet.out, work.case.path.parent, case.supersedes, case.revision, case.id)
    leader, _ = leader_and_next(sheet.told)
    beside = Beside(
        left_out=[str(p) for p in work.problems if p.severity is not Severity.NOTE],
        panel=panel_said(work, sheet.clock),
        steps=[
            Step(spoken(sheet, s.what), spoken(sheet, s.caution), s.changes_evidence) for s in next_steps(work.weighing)
        ],
        conflicts=conflicts(work),
        story=story(work, sheet.display, sheet.clock, None if leader is None else leader.mode.value),
        open_rows=_open(sheet),
        known=sheet.known,
        changed=superseded(old, sheet.findings) if old is not None else None,
    )
    values = page_one_values(sheet.told, work.casefile, sheet.clock, sheet.limits, beside)
    show_markup(render("page_one.html.j2", values))


def _open(sheet: ReportContext) -> list[Row]:
    weighing = sheet.investigation.weighing
    if weighing.verdict.status is not VerdictStatus.UNDETERMINED:
        return []
    return [Row(row.name, spoken(sheet, row.says)) for row in open_rows(sheet.told, site_tests(weighing))]


def spoken(sheet: ReportContext, text: str) -> str:
    """A sentence in the units of the case, roles in words, without its full stop."""
    return roles_in_words(sheet.say(text)).rstrip(". ")


def chronology(sheet: ReportContext) -> None:
    """Display the failure from 30 s before it to 90 s after, and the events near it in the order of their intervals."""
    work = sheet.investigation
    said = panel_said(work, sheet.clock)
    show_text(f"The panel said: {said}." if said else "These exports hold no words of a trip.")
    plate = draw_timeline(
        work.record,
        work.spans,
        sheet.clock,
        sheet.display,
        span=close_span(work.record.failure_ns),
        key="timeline-failure",
        about="The failure close up, 30 s before it to 90 s after.",
        close=True,
    )
    sheet.show(dataclasses.replace(plate, still=close_picture(work, sheet.display, sheet.clock)))
    near = [n for n in work.near if abs(n.earliest_ns - work.record.failure_ns) <= CHRONOLOGY_S * NS]
    rows = [
        (
            sheet.clock.spoken_interval(n.earliest_ns, n.latest_ns),
            roles_in_words(n.name),
            readable((n.latest_ns - n.earliest_ns) / NS),
            n.clock,
        )
        for n in sorted(near, key=lambda n: (n.earliest_ns, n.latest_ns))
    ]
    show_table(
        pd.DataFrame(rows, columns=["between", "what", "width of the interval, s", "clock"]),
        "Chronology: each event happened somewhere in its interval",
        none="No event near the failure was found.",
    )
