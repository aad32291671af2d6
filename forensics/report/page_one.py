"""Page one: what the claims reader needs, on one printed page, each statement tied to its finding."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

from forensics.case.schema import CaseFile
from forensics.model.vocabulary import Grade, Mode, VerdictStatus
from forensics.report.revision import Superseded
from forensics.report.tables.words import stamp_ns
from forensics.report.units import ReportTime, duration_words, number
from forensics.results.schema import FindingsFile
from forensics.rules import Limits

MOST_FOR, MOST_AGAINST, MOST_ALTERNATIVES, MOST_LINES, MOST_TESTS, MOST_CHANGES = 3, 3, 5, 5, 2, 3
STANDARD_FACTS = (
    "in_period",
    "restarts_after_trip",
    "supply_in_tolerance",
    "operated_in_limits",
    "settings_changed",
    "maintenance_done",
)
NOT_SEARCHED = "not searched"
_LONG, _CHANGE, _REASON, _LINE = 220, 200, 150, 240
_DENSE, _DENSER = 3000, 3900
_SHORT_HASH = 12
_LIVE = (Grade.CONFIRMED, Grade.PROBABLE, Grade.POSSIBLE)
_STATUS = {
    VerdictStatus.DETERMINED: "Cause determined",
    VerdictStatus.UNDETERMINED: "Cause undetermined",
    VerdictStatus.NO_FAULT_FOUND: "No fault found",
}
_MARKS = {VerdictStatus.DETERMINED: "■", VerdictStatus.UNDETERMINED: "□", VerdictStatus.NO_FAULT_FOUND: "○"}


@cache
def cautions() -> tuple[str, tuple[tuple[str, str, str], ...]]:
    """The first caution; and every other in short, in full, and with its source."""
    text = resources.files("forensics.report").joinpath("cautions.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    return str(data["first"]), tuple((row["short"], row["text"], row["source"]) for row in data["caution"])


@dataclass(frozen=True)
class Beside:
    """What page one says that the findings file does not hold.

    Attributes
    ----------
    left_out
        Sentences on points and exports that could not be read.
    next_tests
        Test and its caution, the best first.
    reasons
        Mode to the sentence why it has its grade.
    tests_run
        Number of checks that were run.
    known
        Ids that have an anchor in the report.
    changed
        What a revision changes.
    """

    left_out: Sequence[str] = ()
    next_tests: Sequence[tuple[str, str]] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)
    tests_run: int = 0
    known: frozenset[str] = frozenset()
    changed: Superseded | None = None


def page_one_values(
    findings: FindingsFile, case: CaseFile, clock: ReportTime, limits: Limits, beside: Beside
) -> dict[str, Any]:
    """What the template of page one is filled with."""
    verdict = findings.verdict
    first, others = cautions()
    said = {f.id: f.statement for f in findings.findings}
    grade = _STATUS[verdict.status]
    if verdict.grade is not None and verdict.mode is not None:
        grade += f": {verdict.mode.value}, {verdict.grade.value}"
    values: dict[str, Any] = {
        "title": case.case.title or f"Technical findings, case {findings.case.id}",
        "identity": _identity(findings, case, clock),
        "status": verdict.status.value,
        "mark": _MARKS[verdict.status],
        "grade": grade,
        "statement": verdict.statement,
        "would_change": [shortened(line.rstrip(". "), _CHANGE) for line in verdict.would_change_it[:MOST_CHANGES]],
        "evidence_for": [(i, shortened(said.get(i, i))) for i in verdict.because[:MOST_FOR]],
        "evidence_against": [(i, shortened(said.get(i, i))) for i in verdict.against[:MOST_AGAINST]],
        "tests_run": beside.tests_run or len(findings.findings),
        "alternatives": _alternatives(findings, beside.reasons),
        "cannot_show": _cannot_show(findings),
        "facts": _facts(findings),
        "quality": _quality(findings, limits),
        "next_tests": [(shortened(t), c) for t, c in beside.next_tests[:MOST_TESTS]],
        "cautions_first": first,
        "cautions": [short for short, _, _ in others],
        "investigator": case.case.investigator,
        "reviewer": case.case.reviewer,
        "left_out": list(beside.left_out),
        "known": beside.known,
        "changed": beside.changed,
    }
    values["density"] = _density(values)
    return values


def _density(values: Mapping[str, Any]) -> str:
    """How small page one is printed, by the number of its letters, so that it stays on one page."""
    letters = sum(len(str(value)) for name, value in values.items() if name not in {"known", "cautions"})
    if letters > _DENSER:
        return " denser"
    return " dense" if letters > _DENSE else ""


def shortened(text: str, longest: int = _LONG) -> str:
    """A sentence that fits: cut at a word, and said so by an ellipsis; the whole stands with its finding."""
    clean = " ".join(text.split())
    return clean if len(clean) <= longest else clean[:longest].rsplit(" ", 1)[0] + " …"


def _identity(findings: FindingsFile, case: CaseFile, clock: ReportTime) -> list[tuple[str, str]]:
    c, m = case.case, case.machine
    event = clock.both(stamp_ns(findings.case.failure_utc))
    if findings.case.failure_utc is None:
        event = "no failure found in the record"
    elif c.failure is None:
        event += ", the last trip found in the data"
    rows = [
        ("Machine", " · ".join(x for x in (c.machine_tag, m.refrigerant, m.starter.value if m.starter else "") if x)),
        ("Serial", m.serial or "not given"),
        ("Site", c.site or "not given"),
        ("Event", f"{event}, zone {c.time_zone}"),
        ("Claim number", c.claim_number or "not given"),
        ("Report", f"case {c.id}, revision {c.revision}" + (f", opened {c.opened}" if c.opened else "")),
        ("Bundle id", findings.reproduce.inputs_sha256[:_SHORT_HASH]),
    ]
    if m.run_hours is not None or m.start_count is not None:
        rows.append(("Run hours, starts", f"{number(m.run_hours)}, {number(m.start_count)}"))
    return rows


def _alternatives(findings: FindingsFile, reasons: Mapping[str, str]) -> list[tuple[str, str, str, list[str]]]:
    named = {findings.verdict.mode, *findings.verdict.also}
    live = [h for h in findings.graded if h.mode not in named and h.grade in _LIVE and h.mode is not Mode.NONE]
    live.sort(key=lambda h: _LIVE.index(h.grade))
    weighed = [h for h in findings.graded if h.grade is Grade.EXCLUDED and h.for_ and h.mode is not Mode.NONE]
    out = []
    for h in [*live, *weighed][:MOST_ALTERNATIVES]:
        out.append((h.mode.value, h.grade.value, shortened(reasons.get(h.mode.value, ""), _REASON), h.against[:2]))
    rest = len(live) - MOST_ALTERNATIVES
    if rest > 0:
        out.append((f"{rest} more modes", "possible", "see the table of hypotheses", []))
    return out


def _cannot_show(findings: FindingsFile) -> list[str]:
    hidden = [o for o in findings.observability if o.observable == "no"]
    partly = [o for o in findings.observability if o.observable == "partly"]
    lines = []
    if hidden:
        lines.append(f"Not observable with these points and intervals: {', '.join(o.mode.value for o in hidden)}.")
    if partly:
        lines.append(f"Observable in part: {', '.join(o.mode.value for o in partly)}.")
    unlock = list(dict.fromkeys(o.unlocked_by for o in [*hidden, *partly] if o.unlocked_by))
    if unlock:
        lines.append(f"Cheapest changes of the logging: {shortened('; '.join(unlock[:3]))}.")
    silent = [s for s in findings.stops if s.reverse_rotation.value == "cannot-tell"]
    if findings.stops and len(silent) == len(findings.stops):
        lines.append("This record can neither show nor exclude reverse rotation.")
    order = [o for o in findings.order if o.order.value == "not-provable"]
    if order:
        lines.append(f"The order of {len(order)} of {len(findings.order)} pairs of events is not provable.")
    return [shortened(line, _LINE) for line in lines[:MOST_LINES]]


def _facts(findings: FindingsFile) -> list[tuple[str, str, str]]:
    given = {f.what: f for f in findings.facts}
    rows = []
    for name in [*STANDARD_FACTS, *(n for n in given if n not in STANDARD_FACTS)]:
        fact = given.get(name)
        value, source = (fact.value, fact.source) if fact else (NOT_SEARCHED, "")
        rows.append((name.replace("_", " "), value or NOT_SEARCHED, "" if source == NOT_SEARCHED else source))
    return rows


def _quality(findings: FindingsFile, limits: Limits) -> list[str]:
    read = sum(s.rows_read for s in findings.sources)
    kept = sum(s.rows_kept for s in findings.sources)
    outside = sum(s.set_aside.get("outside window", 0) for s in findings.sources)
    aside = read - kept - outside
    lost = sum(sum(s.cells_missing.values()) for s in findings.sources)
    judged = max(read - outside, 1)
    good, usable = limits["report.good_lost_share"], limits["report.usable_lost_share"]
    word = "good" if aside + lost <= good * judged else ("usable with limits" if aside <= usable * judged else "poor")
    lines = [
        f"{word.capitalize()}: {read} rows in {len(findings.sources)} exports; {kept} kept, {outside} outside the "
        f"window, {aside} set aside with a reason; {lost} cells without a reading."
    ]
    for c in findings.clocks:
        if c.offset_s is None:
            lines.append(f"Clock '{c.clock}': its offset could not be had; nothing rests on its order.")
        elif c.method.value != "reference":
            lines.append(
                f"Clock '{c.clock}': {number(c.offset_s)} s ± {duration_words(c.uncertainty_s)} ({c.method.value})."
            )
    if not any(c.utc_error_s is not None for c in findings.clocks):
        lines.append("UTC is as the reference clock tells it: no clock check was given.")
    return lines[: MOST_LINES + 1]
