"""How far a job has come, what its tables still lack, and where they speak against each other; judges nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime

from forensics.case.custody import custody_gaps
from forensics.case.job import Row
from forensics.case.schema import CaseFile, local_to_utc

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
IN_WORDS = {
    "call": "telephone call",
    "hold": "evidence on hold",
    "request": "request to the site",
    "data": "exports",
    "test": "tests",
    "part": "teardown",
    "sample": "samples",
    "decision": "decision",
    "action": "corrective action",
    "follow_up": "proof of the action",
    "closing": "closing",
    "custody": "custody",
}


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing that a step lacks, or in which two entries speak against each other.

    Attributes
    ----------
    step
        One of :data:`STEPS`, or ``custody``.
    where
        Table and row, as the case file has it.
    """

    step: str
    where: str
    what: str
    contradicts: bool = False

    def __str__(self) -> str:
        sign = "contradiction" if self.contradicts else "missing"
        return f"{IN_WORDS[self.step]}: {sign}: {self.where}: {self.what}"


def steps_begun(case: CaseFile) -> tuple[str, ...]:
    """Steps of the job of which the case holds an entry, in the order of the job."""
    return tuple(step for step in STEPS if (case.source if step == "data" else getattr(case, step)))


def next_step(case: CaseFile) -> str | None:
    """The first step not begun after the call, hold, request and data; None where all are.

    A follow-up belongs to a case of its own on later data, so it is never the next step of this one.
    """
    begun = set(steps_begun(case))
    return next((step for step in STEPS if step not in begun and step != "follow_up"), None)


def job_gaps(case: CaseFile) -> tuple[Gap, ...]:
    """What the steps that were begun still lack, and every contradiction between entries."""
    found: list[Gap] = []
    for look in (_call, _holds, _requests, _tests, _parts, _samples, _decision, _actions, _follow_up, _closing):
        found += look(case)
    found += [Gap("custody", gap.where, gap.what, gap.contradicts) for gap in custody_gaps(case)]
    found += _contradictions(case)
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


def _contradictions(case: CaseFile) -> list[Gap]:
    looks: tuple[Callable[[CaseFile], list[Gap]], ...] = (_said, _decided, _same_test, _same_part, _sampled, _acted)
    return [gap for look in looks for gap in look(case)]


def _against(step: str, where: str, what: str) -> Gap:
    return Gap(step, where, what, contradicts=True)


def _said(case: CaseFile) -> list[Gap]:
    call = case.call
    if call is None:
        return []
    out = []
    if call.safe and call.danger.strip():
        out.append(_against("call", "[call]", "safe = true, and a danger is told"))
    if call.running and call.isolated:
        out.append(_against("call", "[call]", "it is said to run, and to be isolated"))
    for fact in case.fact:
        told = str(fact.value)
        if fact.what == "restarts_after_trip" and call.restarts is not None and told != str(call.restarts):
            words = f"the caller spoke of {call.restarts} restarts, {fact.source or 'a fact'} of {told}"
            out.append(_against("call", "[call]", words))
    return out


def _decided(case: CaseFile) -> list[Gap]:
    row = case.decision
    if row is None or row.choice not in ("run", "run-with-conditions"):
        return []
    out = [
        _against("decision", "[decision]", f"it is to run, and test {n} ({test.part}) failed")
        for n, test in enumerate(case.test, 1)
        if test.passed is False
    ]
    out += [
        _against("decision", "[decision]", f"it is to run, and hold {n} ({held.item}) is not saved: a start overwrites")
        for n, held in enumerate(case.hold, 1)
        if held.saved is False
    ]
    return out


def _same_test(case: CaseFile) -> list[Gap]:
    seen: dict[tuple[str, str, str], tuple[int, bool]] = {}
    out = []
    for n, test in enumerate(case.test, 1):
        if test.passed is None:
            continue
        key = (test.part.casefold(), test.serial.casefold(), test.method.casefold())
        first, passed = seen.setdefault(key, (n, test.passed))
        if passed != test.passed:
            out.append(_against("test", f"test {n} ({test.part})", f"the result is not that of test {first}"))
    return out


def _same_part(case: CaseFile) -> list[Gap]:
    seen: dict[tuple[str, str, str], tuple[int, bool]] = {}
    out = []
    for n, part in enumerate(case.part, 1):
        if part.clean is None and not part.damage.strip():
            continue
        clean = bool(part.clean)
        key = (part.part.casefold(), part.serial.casefold(), part.place.casefold())
        first, before = seen.setdefault(key, (n, clean))
        if before != clean:
            out.append(
                _against("part", f"part {n} ({part.part})", f"clean here or in part {first}, damaged in the other")
            )
    return out


def _sampled(case: CaseFile) -> list[Gap]:
    failure = case.case.failure
    if failure is None:
        return []
    at = local_to_utc(failure, case.case.time_zone)
    out = []
    for n, sample in enumerate(case.sample, 1):
        if sample.time is None or not sample.taken:
            continue
        after = local_to_utc(sample.time, case.case.time_zone) > at
        if after != (sample.taken == "after"):
            where = f"sample {n} ({sample.kind})"
            out.append(_against("sample", where, f"taken = '{sample.taken}', and its time says the other"))
    return out


def _acted(case: CaseFile) -> list[Gap]:
    failure = case.case.failure
    if failure is None:
        return []
    return [
        _against("action", f"action {n} ({row.what})", "done before the failure")
        for n, row in enumerate(case.action, 1)
        if row.done is not None and row.done < failure.date()
    ]


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
