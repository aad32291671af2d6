"""Every finding, each opening to its raw lines; those that the verdict stands on first."""

from __future__ import annotations

from dataclasses import dataclass

from forensics.model.vocabulary import Outcome
from forensics.report.binding.markup import render, show_markup
from forensics.report.context import ReportContext
from forensics.report.evidence.raw_lines import RawBlock, RawLines
from forensics.report.page_one.shown_evidence import how_sure, measured_words
from forensics.report.tables.words import stamp_ns
from forensics.report.words.plain import finding_says
from forensics.report.words.units import duration_words
from forensics.results.schema import FindingRow

WINDOW_FIGURE = "timeline-window"
MOST_BLOCKS = 3
_NS_PER_MS = 1e6


@dataclass(frozen=True)
class _Shown:
    """One finding as the page opens it."""

    id: str
    says: str
    numbers: str
    statement: str
    why_not: str
    period: str
    sure: str
    interval: str
    basis: str
    figure: str
    from_ms: float
    to_ms: float
    raw: tuple[RawBlock, ...]
    printed: bool


@dataclass(frozen=True)
class _Group:
    title: str
    rows: list[_Shown]
    open: bool


def findings(sheet: ReportContext) -> None:
    """Display every finding with the rows that it stands on; opening one makes its block."""
    found = sheet.told
    cited = list(dict.fromkeys([*found.verdict.because, *found.verdict.against]))
    source = sheet.investigation
    raw = RawLines(source.case.path.parent, source.readings, [c for f in found.findings for c in f.cites])
    shown = {f.id: _shown(sheet, f, raw, printed=f.id in cited) for f in found.findings}
    rest = [f for f in found.findings if f.id not in cited]
    groups = [
        _Group("What the verdict stands on, and what speaks against it", [shown[i] for i in cited if i in shown], True),  # noqa: FBT003 - a field
        *(
            _Group(title, [shown[f.id] for f in rest if f.outcome is outcome], False)  # noqa: FBT003 - a field
            for title, outcome in (
                ("Present", Outcome.PRESENT),
                ("Absent: looked for, and not there", Outcome.ABSENT),
                ("Cannot be told from these exports", Outcome.CANNOT_TELL),
            )
        ),
    ]
    show_markup(render("findings.html.j2", {"groups": [g for g in groups if g.rows]}))


def _shown(sheet: ReportContext, f: FindingRow, raw: RawLines, *, printed: bool) -> _Shown:
    begin, end = stamp_ns(f.from_utc), stamp_ns(f.to_utc)
    window = sheet.investigation.record.window
    drawn = begin is not None and end is not None and begin < window.end_ns and end > window.start_ns
    offset_ms = 1e3 * (sheet.clock.offset_s or 0)
    return _Shown(
        id=f.id,
        says=finding_says(f),
        numbers=measured_words(f, sheet.display),
        statement=f.statement,
        why_not=f.why_not,
        period="" if begin is None or end is None else sheet.clock.interval(begin, end),
        sure=how_sure(f),
        interval="" if f.sample_interval_s is None else duration_words(f.sample_interval_s),
        basis=f.basis,
        figure=WINDOW_FIGURE if drawn else "",
        from_ms=(begin or 0) / _NS_PER_MS + offset_ms,
        to_ms=(end or 0) / _NS_PER_MS + offset_ms,
        raw=tuple(raw.block(c) for c in f.cites[:MOST_BLOCKS]),
        printed=printed,
    )
