"""The sheets of decision, action, closing and custody."""

from __future__ import annotations

from forensics.case.custody import custody_chains
from forensics.case.schema import JobFile
from forensics.papers.first_sheets import cautions_of, gaps_of
from forensics.papers.live import Live
from forensics.papers.sheet import Field, Fields, PaperPart, Sheet, Table, Ticks, Words, joined, said
from forensics.rules.checks import read_checks
from forensics.rules.papers_forms import read_paper_rules


def decision_sheet(job: JobFile, live: Live) -> Sheet:
    """Run, run with conditions, repair or hold, and what each needs; a person decides and signs."""
    rules = read_paper_rules()
    row = job.decision
    chosen = "" if row is None or row.choice is None else row.choice
    parts: list[PaperPart] = [
        Words("A person decides and signs. Nothing on this sheet releases a machine, and nothing says who pays.")
    ]
    cautions = tuple(dict.fromkeys(f"{mode.id}: {mode.caution}" for mode in live.modes))
    if cautions:
        parts.append(Ticks(tuple((text, False) for text in cautions), title=f"Live causes, by {live.basis}"))
    for choice in rules.decision.choice:
        mark = " (CHOSEN)" if choice.id == chosen else ""
        items = tuple((need, False) for need in choice.needs)
        parts.append(Ticks((*items, (f"watched: {choice.watch}", False)), title=f"{choice.title}{mark} needs"))
    parts.append(
        Fields(
            (
                Field("Decision", "" if row is None else chosen.replace("-", " ")),
                Field("Until", "" if row is None else said(row.until)),
                Field("Why", "" if row is None else row.because, 2),
                Field("Conditions", "" if row is None else said(row.conditions), 2),
                Field("Watched", "" if row is None else said(row.watch), 2),
                Field("Released as fit to run by (qualified, name, date)", "" if row is None else row.released_by),
                Field(
                    "Decided by, date",
                    "" if row is None else joined(row.by, said(row.time, job.case.time_zone), by=", "),
                ),
            ),
            title="The decision",
        )
    )
    return Sheet(
        "decision",
        "Decision",
        "What is done with the machine until the cause is mended.",
        cautions_of(rules.cautions.decision),
        tuple(parts),
        gaps_of(job, "decision"),
    )


def action_sheet(job: JobFile, live: Live) -> Sheet:
    """Corrective actions with owner, date and the signature that will prove each; the human's code beside ours."""
    rules = read_paper_rules()
    checks = read_checks()
    rows = tuple(
        (
            str(n),
            row.what,
            row.owner,
            joined(said(row.due), f"done {said(row.done)}" if row.done else ""),
            joined(f"{checks[row.signature].title} [{row.signature}] absent" if row.signature else ""),
            joined(
                f"after {said(row.proven_after)}" if row.proven_after else "",
                f"{row.starts} starts" if row.starts else "",
                f"{row.hours:g} h" if row.hours else "",
                by=", ",
            ),
        )
        for n, row in enumerate(job.action, 1)
    )
    head = ("No.", "Action", "Owner", "Due, done", "Signature that has to be gone", "Seen over")
    parts: list[PaperPart] = [Table(head, rows, (5, 30, 15, 16, 20, 14), title="Actions", blank=3)]
    if live.modes and live.findings is not None:
        known = tuple((f"{mode.id}: {mode.action}", False) for mode in live.modes)
        parts.append(Ticks(known, title="Actions that the rules name for the live causes"))
    closing = job.closing
    ours = ""
    if live.findings is not None:
        verdict = live.findings.verdict
        ours = joined(verdict.status.value, verdict.mode.value if verdict.mode else "", by=", ")
    parts.append(
        Fields(
            (
                Field("Closing code of the person", "" if closing is None else closing.code),
                Field("The workbook's", ours),
                Field("Agrees: yes or no", "" if closing is None else said(closing.agrees)),
                Field("By, date", "" if closing is None else joined(closing.by, said(closing.time), by=", ")),
                Field("In words", "" if closing is None else closing.words, 2),
            ),
            title="Closing",
            columns=2,
        )
    )
    return Sheet(
        "action",
        "Action and closing",
        "An action is closed by the machine's later behaviour.",
        cautions_of(rules.cautions.action),
        tuple(parts),
        gaps_of(job, "action", "closing", "follow_up"),
    )


def custody_sheet(job: JobFile) -> Sheet:
    """Each item with its hand-overs, and the gaps between them."""
    rules = read_paper_rules()
    zone = job.case.time_zone
    rows = tuple(
        (
            item if n == 1 else "",
            row.received_from,
            joined(row.how, row.tool, by=", "),
            said(row.time, zone),
            row.by,
            joined(row.place, said(row.file), row.sha256),
        )
        for item, chain in custody_chains(job).items()
        for n, row in enumerate(chain, 1)
    )
    head = ("Item", "Received from", "How, tool", "When", "By, signature", "Kept at, file, hash")
    table = Table(head, rows, (20, 15, 16, 15, 15, 19), blank=8)
    return Sheet(
        "custody",
        "Custody",
        "A line for each hand-over of each item: parts, bottles, files, photographs.",
        cautions_of(rules.cautions.custody),
        (table,),
        gaps_of(job, "custody"),
    )
