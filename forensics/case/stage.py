"""How far a job has come, what its tables still lack, and where they speak against each other; judges nothing."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime

from forensics.case.contradictions import IN_WORDS, Gap, contradictions
from forensics.case.custody import custody_gaps
from forensics.case.job import Row
from forensics.case.schema import CaseFile
from forensics.case.values import local_to_utc

__all__ = ["IN_WORDS", "STEPS", "Gap", "as_utc", "job_gaps", "minutes_apart", "next_step", "steps_begun"]

STEPS = (
    "call",
    "hold",
    "request",
    "data",
    "test",
    "part",
    "sample",
    "decision",
    "action",
    "follow_up",
    "closing",
)


def steps_begun(case: CaseFile) -> tuple[str, ...]:
    """Steps of the job of which the case holds an entry, in the order of the job."""
    return tuple(step for step in STEPS if (case.source if step == "data" else getattr(case, step)))


def next_step(case: CaseFile) -> str | None:
    """The first step not begun after the call, hold, request and data; None where all are.

    A follow-up belongs to a case of its own on later data, so it is never the next step of this one.
    """
    begun = set(steps_begun(case))
    if case.follow_up is not None:  # the steps before it stand in the case that it checks
        return None if "closing" in begun else "closing"
    return next((step for step in STEPS if step not in begun and step != "follow_up"), None)


def job_gaps(case: CaseFile) -> tuple[Gap, ...]:
    """What the steps that were begun still lack, and every contradiction between entries."""
    found: list[Gap] = []
    for look in (_call, _holds, _requests, _tests, _parts, _samples, _decision, _actions, _follow_up, _closing):
        found += look(case)
    found += [
        Gap("fact", f"fact {n} ({row.what})", "where it is written: a document with its page, or a photograph")
        for n, row in enumerate(case.fact, 1)
        if not row.document and not row.photo
    ]
    found += [Gap("custody", gap.where, gap.what, gap.contradicts) for gap in custody_gaps(case)]
    found += contradictions(case)
    return tuple(found)


def _lacks(step: str, where: str, row: Row, wanted: Iterable[tuple[str, str]]) -> list[Gap]:
    keys = [*wanted, ("by", "who"), ("time", "when")]
    return [Gap(step, where, f"{words} ({key})") for key, words in keys if getattr(row, key) in ("", None, ())]


def _call(case: CaseFile) -> list[Gap]:
    if case.call is None:
        return []
    wanted = (
        ("words", "what the caller said, in the caller's own words"),
        ("caller", "who called, by function"),
        ("caller_time", "the time that the caller gives"),
        ("panel_text", "the exact text on the panel"),
        ("panel_time", "the time that the panel shows, beside the caller's"),
        ("safe", "whether everybody is safe"),
        ("running", "whether it runs now"),
        ("restarts", "how often it was restarted after the trip"),
        ("sister_at_risk", "whether another machine runs the same risk"),
    )
    return _lacks("call", "[call]", case.call, wanted)


def _holds(case: CaseFile) -> list[Gap]:
    out = []
    for n, row in enumerate(case.hold, 1):
        where = f"hold {n} ({row.item})"
        out += _lacks("hold", where, row, (("saved", "whether it is saved"),))
        if row.saved and not row.file:
            out.append(Gap("hold", where, "the file or photograph that was saved (file)"))
    return out


def _requests(case: CaseFile) -> list[Gap]:
    out = []
    for n, row in enumerate(case.request, 1):
        out += _lacks("request", f"request {n} ({row.what})", row, (("of", "of whom"), ("received", "whether it came")))
    return out


def _tests(case: CaseFile) -> list[Gap]:
    out = []
    planned = (("method", "method"), ("limit", "limit"), ("basis", "basis of the limit"))
    done = (
        ("instrument", "instrument"),
        ("condition", "conditions of the test: temperature, state of the circuit"),
        ("passed", "passed or not"),
        ("shows", "what it shows: cause, damage, in-order or nothing"),
    )
    for n, row in enumerate(case.test, 1):
        where = f"test {n} ({row.part})"
        wanted = (*planned, ("changes_evidence", "whether it changes evidence"))
        if row.done:
            out += _lacks("test", where, row, (*wanted, *done))
        else:
            out += [gap for gap in _lacks("test", where, row, wanted) if not gap.what.endswith(("(by)", "(time)"))]
            out.append(Gap("test", where, "the result: it is planned only"))
        if row.changes_evidence and not row.notice_to:
            out.append(Gap("test", where, "to whom notice was given before evidence was changed (notice_to)"))
    return out


def _parts(case: CaseFile) -> list[Gap]:
    out = []
    for n, row in enumerate(case.part, 1):
        where = f"part {n} ({row.part})"
        wanted = [("serial", "serial or marking"), ("orientation", "orientation"), ("photo", "photograph with scale")]
        if not row.clean:
            wanted += [("place", "place of the damage"), ("damage", "kind of damage, or clean = true")]
        out += _lacks("part", where, row, wanted)
    return out


def _samples(case: CaseFile) -> list[Gap]:
    out = []
    for n, row in enumerate(case.sample, 1):
        where = f"sample {n} ({row.kind})"
        wanted = [("place", "where it was taken"), ("taken", "before or after the failure"), ("bottle", "bottle label")]
        if row.kind == "oil":
            wanted.append(("hours_since_change", "running hours since the oil change"))
        if row.value:
            wanted += [("lab", "laboratory"), ("method", "method")]
        out += _lacks("sample", where, row, wanted)
        if not row.value:
            out.append(Gap("sample", where, "values of the laboratory ([[sample.value]])"))
    return out


def _decision(case: CaseFile) -> list[Gap]:
    row = case.decision
    if row is None:
        return []
    out = _lacks("decision", "[decision]", row, (("choice", "the decision"), ("because", "why")))
    if row.choice in ("run", "run-with-conditions") and not row.watch:
        out.append(Gap("decision", "[decision]", "what is watched while it runs (watch)"))
    if row.choice == "run-with-conditions" and not row.conditions:
        out.append(Gap("decision", "[decision]", "the conditions (conditions)"))
    if row.choice in ("run", "run-with-conditions") and not row.released_by:
        out.append(Gap("decision", "[decision]", "who released it as fit to run (released_by)"))
    return out


def _actions(case: CaseFile) -> list[Gap]:
    out = []
    for n, row in enumerate(case.action, 1):
        wanted = [("owner", "owner"), ("due", "date due"), ("signature", "the check that will prove it")]
        if row.done is not None:
            wanted.append(("proven_after", "the day after which it is looked at again"))
        out += _lacks("action", f"action {n} ({row.what})", row, wanted)
        if row.starts is None and row.hours is None:
            out.append(Gap("action", f"action {n} ({row.what})", "how many starts or hours prove it (starts, hours)"))
    return out


def _follow_up(case: CaseFile) -> list[Gap]:
    row = case.follow_up
    return [] if row is None else _lacks("follow_up", "[follow_up]", row, (("sha256", "hash of the earlier findings"),))


def _closing(case: CaseFile) -> list[Gap]:
    row = case.closing
    if row is None:
        return []
    return _lacks(
        "closing", "[closing]", row, (("code", "closing code"), ("agrees", "agrees with the workbook or not"))
    )


def minutes_apart(case: CaseFile) -> float | None:
    """Panel's time minus the caller's, min; None where either is not a stamp. Neither is the true time."""
    call = case.call
    if call is None or not isinstance(call.caller_time, datetime) or not isinstance(call.panel_time, datetime):
        return None
    zone = case.case.time_zone
    apart = local_to_utc(call.panel_time, zone) - local_to_utc(call.caller_time, zone)
    return apart.total_seconds() / 60.0


def as_utc(value: date | datetime, zone: str) -> datetime:
    """A stamp, or the end of a day, as UTC: a day that is over excludes nothing that happened on it."""
    if isinstance(value, datetime):
        return local_to_utc(value, zone)
    return local_to_utc(datetime(value.year, value.month, value.day, 23, 59, 59), zone).astimezone(UTC)  # noqa: DTZ001
