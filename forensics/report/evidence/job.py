"""The job in the report: damage map, laboratory histories, custody, actions, and whether the action worked."""

from __future__ import annotations

import pandas as pd

from forensics.case.as_evidence import known_kinds
from forensics.case.custody import custody_chains
from forensics.case.laboratory import LabHistory, lab_histories
from forensics.case.schema import CaseFile
from forensics.case.stage import job_gaps
from forensics.intake.case_files import custody_hash_gaps
from forensics.report.binding.markup import render, show_markup, table_markup
from forensics.report.context import ReportContext
from forensics.report.evidence.damage_map import STATE_WORDS, damage_map
from forensics.results.follow_up import follow_up


def show_job(sheet: ReportContext) -> None:
    """Display what the case holds of the job beyond its data; nothing where it holds nothing."""
    case = sheet.investigation.casefile
    _show_follow_up(sheet)
    _show_map(case)
    _show("Laboratory values against their own history", lab_table(case))
    _show("Custody, hand-over by hand-over", custody_table(case))
    _show("Corrective actions and the signature that will prove each", action_table(case))
    _show_closing(sheet)
    gaps = [str(gap) for gap in (*job_gaps(case), *custody_hash_gaps(sheet.investigation.case.path, case))]
    if gaps:
        show_markup(
            render("lines.html.j2", {"title": "Missing in the job's tables, or in contradiction", "lines": gaps})
        )


def _show(caption: str, table: pd.DataFrame) -> None:
    if len(table):
        show_markup(table_markup(table, caption=caption))


def _show_follow_up(sheet: ReportContext) -> None:
    told = follow_up(sheet.investigation)
    if told is None:
        return
    name = f"Action {told.promise.number}" + (f" ({told.promise.what})" if told.promise.what else "")
    lines = [f"{told.answer}: {told.why}"]
    if told.starts_needed is not None or told.hours_needed is not None:
        needed = [f"{told.starts_needed} starts"] if told.starts_needed is not None else []
        needed += [f"{told.hours_needed:g} h"] if told.hours_needed is not None else []
        lines.append(f"Seen after it: {told.starts} starts, {told.hours:.1f} h of running; needed: {', '.join(needed)}")
    show_markup(render("lines.html.j2", {"title": f"Did the action work? {name}", "lines": lines}))


def _show_closing(sheet: ReportContext) -> None:
    """The code that a person closed the case with, beside the workbook's verdict; neither takes the other's place."""
    closing = sheet.investigation.casefile.closing
    if closing is None:
        return
    verdict = sheet.findings.verdict
    ours = verdict.status.value + ("" if verdict.mode is None else f", {verdict.mode.value}")
    person = ", ".join(text for text in (closing.code, "" if closing.mode is None else closing.mode.value) if text)
    lines = [f"the person ({closing.by or 'not named'}): {person or 'no code'}", f"the workbook: {ours}"]
    if closing.words:
        lines.append(closing.words)
    # in a follow-up the mode that was repaired stands beside a machine that is sound again
    apart = closing.mode is not None and verdict.mode is not None and closing.mode is not verdict.mode
    if closing.agrees and apart:
        lines.append("contradiction: agrees = true, and the modes are not the same")
    show_markup(render("lines.html.j2", {"title": "Closing: the person's code beside the workbook's", "lines": lines}))


def _show_map(case: CaseFile) -> None:
    if not case.part:
        return
    from markupsafe import Markup

    chart = damage_map(case.part)
    caption = "Damage map, not to scale. × hatched: damage; ✓ clean; ?! contradiction; … not said; dashed: no entry."
    # the drawing is this project's own markup, and every text in it is escaped where it is made
    show_markup(f"<figure>{Markup(chart.svg)}<figcaption>{caption}</figcaption></figure>")
    _show("Teardown, part by part", part_table(case))


def part_table(case: CaseFile) -> pd.DataFrame:
    """A row an entry of the teardown, with its number on the map; parts without entry are counted in the last row."""
    chart = damage_map(case.part)
    number = {n: row for row in chart.rows for n in row.entries}
    rows = []
    for n, part in enumerate(case.part, 1):
        row = number.get(n)
        state = "not on the drawing" if row is None else f"{row.number}: {STATE_WORDS[row.state]}"
        found = part.damage or ("clean" if part.clean else "")
        rows.append(
            (part.part, state, part.serial, part.orientation, part.place, found, ", ".join(part.photo), part.by)
        )
    silent = [row.part.title for row in chart.rows if not row.entries]
    if rows and silent:
        rows.append(("no entry", "", "", "", "", ", ".join(silent), "", ""))
    columns = ["part", "on the map", "serial", "orientation", "place", "found", "photograph", "by"]
    return pd.DataFrame(rows, columns=columns)


def lab_table(case: CaseFile) -> pd.DataFrame:
    """A row a kind of value: its values in the order of time, the slope with its interval, or why there is none."""
    rows = [
        (
            f"{h.sample}: {h.kind.replace('_', ' ')}",
            h.place,
            ", ".join(f"{value:g}" for value in h.values),
            h.unit,
            _slope(h),
            "" if h.kind in known_kinds() else "this kind is not in the table of measurements: it weighs nothing",
        )
        for h in lab_histories(case)
    ]
    return pd.DataFrame(rows, columns=["value", "place", "values, oldest first", "unit", "slope", "note"])


def _slope(history: LabHistory) -> str:
    if history.slope is None:
        return f"none: {history.why_not}"
    return f"{history.slope:+.3g} ({history.low:+.3g} to {history.high:+.3g}) {history.unit} per {history.per}" + (
        history.why_not
    )


def custody_table(case: CaseFile) -> pd.DataFrame:
    """A row a hand-over."""
    rows = [
        (item, row.received_from, row.how, row.tool, str(row.time or ""), row.by, ", ".join(row.file), row.sha256)
        for item, chain in custody_chains(case).items()
        for row in chain
    ]
    return pd.DataFrame(rows, columns=["item", "received from", "how", "tool", "when", "by", "file", "SHA-256"])


def action_table(case: CaseFile) -> pd.DataFrame:
    """A row an action."""
    rows = [
        (
            str(n),
            row.what,
            row.owner,
            str(row.due or ""),
            str(row.done or ""),
            row.signature,
            str(row.proven_after or ""),
            str(row.starts or ""),
            "" if row.hours is None else f"{row.hours:g}",
        )
        for n, row in enumerate(case.action, 1)
    ]
    columns = ["no.", "action", "owner", "due", "done", "signature", "proven after", "starts", "hours"]
    return pd.DataFrame(rows, columns=columns)
