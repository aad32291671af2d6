"""Page one: one printed sheet that a person without the trade understands and can quote."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from forensics.case.schema import CaseFile
from forensics.model.vocabulary import Grade, VerdictStatus, known_modes
from forensics.report.page_one.next_steps import Step
from forensics.report.page_one.not_known import not_known
from forensics.report.page_one.open_case import Row, leader_and_next
from forensics.report.page_one.shown_evidence import MOST_ROWS, look_alike_rows, shown_rows
from forensics.report.stories.story import Story
from forensics.report.tables.words import stamp_ns
from forensics.report.words.cautions import cautions
from forensics.report.words.plain import GRADES, mode_name, plain_words, verdict_says
from forensics.report.words.units import ReportTime, readable, shown_unit
from forensics.report.written.revision import Superseded
from forensics.results.publish import NOT_SEARCHED
from forensics.results.schema import FindingsFile
from forensics.rules import Limits, read_limits

MOST_LOOK_ALIKES, MOST_STEPS, MOST_SEEN = 3, 4, 2
_DENSE, _DENSER, _DENSEST = 3200, 3800, 4600
_SHORT_HASH = 12
_MARKS = {VerdictStatus.DETERMINED: "■", VerdictStatus.UNDETERMINED: "□", VerdictStatus.NO_FAULT_FOUND: "○"}
NO_STUDY = "How often verdicts of this grade are right has not been measured for this version."


@dataclass(frozen=True)
class Beside:
    """What page one says that the findings file does not hold.

    Attributes
    ----------
    left_out
        Sentences on points and exports that could not be read.
    panel
        What the panel or the protection said at the failure, letter for letter.
    steps
        What to do next, the first first.
    conflicts
        Evidence that does not agree, in words.
    story
        The picture, where there is one.
    open_rows
        Of an undetermined case: what leads, by how much, what is missing, what would settle it.
    known
        Ids that have an anchor in the report.
    changed
        What a revision changes.
    """

    left_out: Sequence[str] = ()
    panel: str = ""
    steps: Sequence[Step] = ()
    conflicts: Sequence[str] = ()
    story: Story | None = None
    open_rows: Sequence[Row] = ()
    known: frozenset[str] = frozenset()
    changed: Superseded | None = None


@dataclass(frozen=True)
class Shape:
    """How many rows stand on the sheet: where they do not fit, the third look-alike and the fifth row are cut."""

    rows: int = MOST_ROWS
    look_alikes: int = MOST_LOOK_ALIKES


def page_one_values(
    findings: FindingsFile, case: CaseFile, clock: ReportTime, limits: Limits, beside: Beside
) -> dict[str, Any]:
    """What the template of page one is filled with."""
    first, others = cautions()
    shape = Shape()
    values = _filled(findings, case, clock, beside, shape)
    if _letters(values) > _DENSEST:
        values = _filled(findings, case, clock, beside, Shape(MOST_ROWS - 1, MOST_LOOK_ALIKES - 1))
    values |= {
        "cautions_first": first,
        "cautions": [short for short, _, _ in others],
        "limits": limit_lines(findings, limits, case.case.display),
        "density": _density(_letters(values)),
        "left_out": list(beside.left_out),
        "known": beside.known,
        "changed": beside.changed,
        "story": beside.story,
    }
    return values


def _filled(findings: FindingsFile, case: CaseFile, clock: ReportTime, beside: Beside, shape: Shape) -> dict[str, Any]:
    verdict = findings.verdict
    leader, _ = leader_and_next(findings)
    first = verdict.mode if leader is None or verdict.mode is not None else leader.mode
    names = {mode.value: mode_name(mode.value) for mode in known_modes()}
    return {
        "title": _title(case),
        "identity": identity(findings, case, clock),
        "status": verdict.status.value,
        "mark": _MARKS[verdict.status],
        "statement": verdict_says(findings),
        "grade": _grade(findings, verdict_says(findings)),
        "panel": beside.panel,
        "seen": _seen(case),
        "grades": list(GRADES.values()),
        "evidence": shown_rows(findings, case, case.case.display, most=shape.rows),
        "look_alikes": look_alike_rows(findings, first, names, most=shape.look_alikes),
        "determined": verdict.status is VerdictStatus.DETERMINED,
        "open_rows": list(beside.open_rows),
        "ruled_out": (sum(h.grade is Grade.EXCLUDED for h in findings.graded), len(findings.graded) - 1),
        "not_known": [*not_known(findings), *beside.conflicts[:2]],
        "facts": facts(findings),
        "steps": list(beside.steps[:MOST_STEPS]),
        "error_rate": error_rate(findings),
        "people": people(case),
        "draft": not case.case.reviewer,
    }


def _grade(findings: FindingsFile, said: str) -> str:
    """How sure the verdict is, in one word, where its sentence does not begin with it."""
    verdict = findings.verdict
    word = verdict.status.value.replace("-", " ") if verdict.grade is None else verdict.grade.value
    return "" if said.lower().startswith(word) else word.capitalize()


def _letters(values: Mapping[str, Any]) -> int:
    return sum(len(str(value)) for value in values.values())


def _density(letters: int) -> str:
    """How small page one is printed, by the number of its letters, so that it stays on one page."""
    if letters > _DENSER:
        return " densest" if letters > _DENSEST else " denser"
    return " dense" if letters > _DENSE else ""


def _title(case: CaseFile) -> str:
    c = case.case
    parts = [f"Compressor {c.machine_tag}" if c.machine_tag else "Compressor", c.site]
    named = ", ".join(p for p in parts if p)
    return f"{named}: {c.title}" if c.title else named


def identity(findings: FindingsFile, case: CaseFile, clock: ReportTime) -> list[tuple[str, str]]:
    """Which event and machine, who asked, and which report this is."""
    c, m = case.case, case.machine
    event = clock.spoken(stamp_ns(findings.case.failure_utc))
    if findings.case.failure_utc is None:
        event = "no failure found in the record"
    elif c.failure is None:
        event += ", the last trip found in the data"
    inputs = findings.reproduce.inputs_sha256[:_SHORT_HASH]
    machine = " · ".join(x for x in (c.machine_tag, m.refrigerant, m.starter.value if m.starter else "") if x)
    rows = [
        ("Event", event),
        ("Site", c.site or "not given"),
        ("Machine", f"{machine or 'not given'} · serial {m.serial or 'not given'}"),
        ("Purpose", c.purpose or "not given"),
        ("Asked by", c.asked_by or "not given"),
        (
            "Report",
            f"{case_name(c.id)}, revision {c.revision}; inputs {inputs}",
        ),
    ]
    if c.claim_number:
        rows.append(("Claim number", c.claim_number))
    if m.run_hours is not None or m.start_count is not None:
        rows.append(("Run hours, starts", f"{readable(m.run_hours)}, {readable(m.start_count)}"))
    return rows


def case_name(case_id: str) -> str:
    """A case by its id; the word *case* is not said twice."""
    return case_id if case_id.lower().startswith("case") else f"case {case_id}"


def _seen(case: CaseFile) -> list[str]:
    """What was found by hand, letter for letter: inspections and tests before what witnesses said."""
    order = {"inspection": 0, "test": 1, "document": 2, "witness": 3}
    rows = sorted(enumerate(case.observation), key=lambda row: (order.get(row[1].kind, 3), row[0]))
    return [f"{o.text.rstrip('. ')} ({o.kind}{', ' + o.by if o.by else ''})" for _, o in rows[:MOST_SEEN]]


def facts(findings: FindingsFile) -> list[str]:
    """What the case file answers of the usual questions, with where each answer is written."""
    words = plain_words().fact
    return [
        f"{words.get(f.what, f.what.replace('_', ' '))}: {f.value} ({f.source})"
        for f in findings.facts
        if f.value != NOT_SEARCHED
    ]


def error_rate(findings: FindingsFile) -> str:
    """How often verdicts of this grade are right, where a study has measured it."""
    rate = getattr(findings.verdict, "error_rate", None)
    if not rate:
        return NO_STUDY
    told = rate if isinstance(rate, Mapping) else rate.model_dump()
    return (
        f"In the validation study ({told['study']}) verdicts of the grade {told['grade']} were right in "
        f"{told['right']} of {told['of']} cases, at least {100 * float(told['low']):.0f} % with 95 % confidence."
    )


def limit_lines(findings: FindingsFile, limits: Limits, display: str) -> list[str]:
    """Limits given for this machine or this run in place of those that ship, in words."""
    shipped = read_limits()
    lines = []
    for row in findings.overrides:
        unit = shown_unit(limits.limit(row.limit).unit, display)
        value, default = unit.number(row.value, digits=3), unit.number(row.default, digits=3)
        basis = shipped.limit(row.limit).basis if row.limit in shipped else ""
        lines.append(f"{value} in place of {default} {unit.text}".rstrip() + f" ({row.source}), for: {basis}")
    return lines


def people(case: CaseFile) -> list[tuple[str, str, str]]:
    """Who worked on the report and who reviewed it, with qualification; each gets a line to sign."""
    c = case.case
    return [
        ("Investigator", c.investigator or "not given", c.investigator_qualification or "qualification not given"),
        ("Reviewer", c.reviewer or "none yet", c.reviewer_qualification or "qualification not given"),
    ]
