"""Causes: what speaks for and against each, physical evidence, what cannot be known, what to do next."""

from __future__ import annotations

import pandas as pd

from forensics.errors import Problem
from forensics.hypotheses.modes import read_modes
from forensics.model.vocabulary import Grade
from forensics.report import tables
from forensics.report.binding.markup import LIST_ROWS, render, show_markup, table_markup
from forensics.report.context import ReportContext
from forensics.report.evidence.job import show_job
from forensics.report.evidence.photographs import MOST_SHOWN, Photograph, photograph
from forensics.report.page_one.next_steps import next_steps
from forensics.report.page_one.not_known import conflicts
from forensics.report.page_one.not_known import not_known as open_points
from forensics.report.sections.front import spoken
from forensics.report.sections.show import show_lines, show_table, show_text
from forensics.report.words.plain import finding_says, mode_name
from forensics.results.schema import FindingsFile, HypothesisRow
from forensics.rules import read_checks

MOST_WORDS = 4
_UNASSIGNED = "not assigned to a cause"


def causes(sheet: ReportContext) -> None:
    """Display the causes that are live or look alike with their evidence in words, then all, folded."""
    found, weighing = sheet.told, sheet.investigation.weighing
    near = _near(found)
    rows = [_cause_row(h, found) for h in found.graded if h.mode.value in near]
    rows.sort(key=lambda row: near.index(row[0]))
    columns = ["cause", "grade", "speaks for it", "speaks against it", "could not be seen"]
    shown = [(mode_name(row[0]), *row[1:]) for row in rows]
    show_text(f"The verdict in technical words: {found.verdict.statement}")
    show_table(pd.DataFrame(shown, columns=columns), "The cause that stands, its look-alikes, and what else is open")
    if found.verdict.chain:
        show_lines("Chain in provable order", [" → ".join(str(link) for link in found.verdict.chain)])
    table = tables.hypotheses_table(found)
    reasons = {str(h.mode): sheet.say(h.reason) for h in weighing.hypotheses}
    reasons |= {h.mode.value: _OUTWEIGHED for h in found.graded if _is_outweighed(h)}
    table.insert(2, "why", [reasons.get(str(mode), "") for mode in table["mode"]])
    caption = f"All modes and what each grade stands on; {weighing.tests_run} checks were run"
    links = ("for", "against", "cannot tell")
    show_markup(
        table_markup(
            table, caption=caption, key="table-modes", links=links, known=sheet.known, rows=LIST_ROWS, folded=True
        )
    )
    show_table(tables.order_table(found), "Which of two events came first, where that can be proved", folded=True)


_OUTWEIGHED = "what speaks against it outweighs what fits it; not excluded"


def _is_outweighed(h: HypothesisRow) -> bool:
    """Whether something fits a cause and more speaks against it: a row must not say that nothing was seen of it."""
    return h.grade is Grade.NOT_OBSERVABLE and bool(h.for_) and bool(h.against) and h.decibans < 0


def _near(found: FindingsFile) -> list[str]:
    """The cause that stands, the look-alikes that its rules name, then every other that is live or has signs for it."""
    verdict = found.verdict
    named = [] if verdict.mode is None else [verdict.mode.value, *(m.value for m in verdict.also)]
    rule = read_modes(read_checks()).by_id.get(named[0]) if named else None
    alike = [] if rule is None else [look.mode for look in rule.look_alikes]
    live = [h.mode.value for h in found.graded if h.grade.value in ("confirmed", "probable", "possible")]
    return [m for m in dict.fromkeys([*named, *alike, *live]) if m != "none"]


def _cause_row(h: HypothesisRow, found: FindingsFile) -> tuple[str, ...]:
    return (h.mode.value, h.grade.value, _say(h.for_, found), _say(h.against, found), _unseen(h))


def _say(ids: list[str], found: FindingsFile) -> str:
    by_id = {f.id: f for f in found.findings}
    words = list(dict.fromkeys(finding_says(by_id[i]) if i in by_id else f"by hand: {i}" for i in ids))
    more = f"; and {len(words) - MOST_WORDS} more" if len(words) > MOST_WORDS else ""
    return "; ".join(words[:MOST_WORDS]) + more if words else "nothing"


def _unseen(h: HypothesisRow) -> str:
    return f"{len(h.cannot_tell)} checks" if h.cannot_tell else "all could be seen"


def next_tests(sheet: ReportContext) -> None:
    """Display what to do next in order, and what every proposed test would split."""
    steps = next_steps(sheet.investigation.weighing)
    rows = [
        (str(n), spoken(sheet, s.what), spoken(sheet, s.caution), "yes" if s.changes_evidence else "no")
        for n, s in enumerate(steps, start=1)
    ]
    columns = ["step", "what", "caution", "changes evidence"]
    show_table(pd.DataFrame(rows, columns=columns), "Next steps in order; local codes and licensed practice come first")


def not_known(sheet: ReportContext) -> None:
    """Display what is not known, what conflicts, and how firm the verdict is when one thing is changed."""
    show_lines("Not known", open_points(sheet.told))
    show_lines("Evidence that does not agree", conflicts(sheet.investigation))
    show_table(
        tables.observability_table(sheet.told),
        "What these points and intervals can show",
        key="table-observability",
        folded=True,
    )
    rows = sheet.told.robustness
    table = tables.robustness_table(sheet.told)
    counts = {effect: int((table["the verdict"] == effect).sum()) for effect in tables.EFFECTS}
    if rows:
        show_text(
            f"One thing changed at a time, {len(rows)} changes: the verdict holds in {counts['holds']}, is weaker in "
            f"{counts['weaker']}, is lost in {counts['lost']}, changes to another cause in {counts['changed']}."
        )
    show_table(
        table,
        "The verdict when one thing is changed",
        key="table-robustness",
        none="Nothing was varied: the verdict rests on no finding.",
        folded=len(table) > _MOST_OPEN,
    )


_MOST_OPEN = 12


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
            _UNASSIGNED if not o.bears_on else "for" if o.supports else "against",
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
    _photographs(sheet)
    show_job(sheet)


def _photographs(sheet: ReportContext) -> None:
    work = sheet.investigation
    folder = work.case.path.parent
    # those of one part stand together: what was seen on it, by whom, one after the other
    named = [(n, o.text, path) for n, o in enumerate(work.casefile.observation, 1) for path in o.photo]
    parts = {n: o.part for n, o in enumerate(work.casefile.observation, 1)}
    seen = [(n, text, photograph(folder, path, drawn=k < MOST_SHOWN)) for k, (n, text, path) in enumerate(named)]
    shown = [(n, text, p) for n, text, p in seen if isinstance(p, Photograph)]
    if any(p.shown for _, _, p in shown):
        drawn = [row for row in shown if row[2].shown]
        groups = {
            part: [row for row in drawn if parts[row[0]] == part] for part in dict.fromkeys(parts[r[0]] for r in drawn)
        }
        show_markup(render("photographs.html.j2", {"groups": groups}))
    show_lines("Photographs not drawn here", [f"{p.path}, SHA-256 {p.sha256}" for _, _, p in shown if not p.shown])
    show_lines("Photographs that can't be shown", [str(p) for _, _, p in seen if isinstance(p, Problem)])
