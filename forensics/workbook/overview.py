"""What a workbook shows of itself in a notebook: verdict, sources, and what is missing."""

from __future__ import annotations

from forensics.errors import Severity
from forensics.report import tables
from forensics.report.binding.markup import render, table_markup
from forensics.report.context import ReportContext
from forensics.workbook.written import verdict_line

MOST_MISSING = 8


def markup(sheet: ReportContext) -> str:
    """The overview as HTML; every text is escaped."""
    told, work = sheet.told, sheet.investigation
    head = render("note.html.j2", {"text": f"{told.case.id}: {verdict_line(told.verdict)}"})
    sources = tables.sources_table(told).drop(columns=["SHA-256"])
    left_out = [str(p) for p in work.problems if p.severity is not Severity.NOTE]
    hidden = [f"{o.mode.value}: {o.why}" for o in told.observability if o.observable == "no"]
    missing = [*left_out, *hidden]
    more = [f"and {len(missing) - MOST_MISSING} more"] if len(missing) > MOST_MISSING else []
    parts = [head, table_markup(sources, caption="Exports")]
    if missing:
        lines = [*missing[:MOST_MISSING], *more]
        parts.append(render("lines.html.j2", {"title": "Missing, and what could not be seen", "lines": lines}))
    return f'<div class="sheet tex2jax_ignore">{"".join(parts)}</div>'
