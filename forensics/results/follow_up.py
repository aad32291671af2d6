"""Whether an action worked: a later case judged by the signature that the action named."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import Annotated, Literal

from pydantic import BeforeValidator

from forensics.case.job import Action, FollowUp
from forensics.case.stage import as_utc
from forensics.errors import InputError
from forensics.investigation import Investigation
from forensics.model.findings import Finding, Start
from forensics.model.points import NS
from forensics.model.vocabulary import Answer, Outcome
from forensics.results.findings_json import read_findings
from forensics.results.schema import FactRow, FindingsFile
from forensics.rules.checks import read_checks
from forensics.rules.files import FOLDER
from forensics.rules.strict import Form, read_form

Worked = Literal["gone", "still there", "cannot tell yet"]
HOUR_S = 3600.0
# names of the facts that tell an answer, written and read here alone
_FACT, _BECAUSE = "follow-up of action ", " because"


class Amount(Form):
    """A number of the rules with its unit and basis."""

    value: float
    unit: str
    kind: str
    basis: str


class PerStart(Form):
    """Checks that are shown start by start."""

    checks: Annotated[tuple[str, ...], BeforeValidator(lambda v: tuple(v) if isinstance(v, list) else v)]
    basis: str


class FollowUpRules(Form):
    """``follow_up.toml``."""

    starts: Amount
    hours: Amount
    chance: Amount
    per_start: PerStart


@cache
def read_follow_up_rules() -> FollowUpRules:
    """How much later running is asked for."""
    return read_form(FollowUpRules, FOLDER / "papers" / "follow_up.toml")


@dataclass(frozen=True, slots=True)
class Promise:
    """What an action promised: the signature that has to be gone, from when on, over how much running."""

    number: int
    what: str
    signature: str
    after: date | datetime | None
    starts: int | None
    hours: float | None


@dataclass(frozen=True, slots=True)
class FollowUpAnswer:
    """The answer with what it rests on; ``starts`` and ``hours`` are seen after the action, of those needed.

    ``why`` is one sentence in plain words.
    """

    answer: Worked
    why: str
    promise: Promise
    starts: int = 0
    starts_needed: int | None = None
    hours: float = 0.0
    hours_needed: float | None = None


def action_facts(actions: tuple[Action, ...]) -> list[FactRow]:
    """Actions as facts, a field each, so that a later case can read what was promised."""
    rows = []
    for n, action in enumerate(actions, 1):
        told: Mapping[str, object] = {
            "": action.what,
            " owner": action.owner,
            " due": action.due,
            " done": action.done,
            " signature": action.signature,
            " proven after": action.proven_after,
            " starts": action.starts,
            " hours": action.hours,
        }
        rows += [
            FactRow(what=f"action {n}{key}", value=str(value), source="case file, [[action]]")
            for key, value in told.items()
            if value not in ("", None)
        ]
    return rows


def follow_up(investigation: Investigation) -> FollowUpAnswer | None:
    """Judge ``[follow_up]``; None where the case has none."""
    row = investigation.casefile.follow_up
    if row is None:
        return None
    empty = Promise(row.action, "", row.signature, row.done, row.starts, row.hours)
    try:
        earlier = read_findings(investigation.case.folder / row.findings)
    except InputError as fault:
        return FollowUpAnswer(
            "cannot tell yet", f"The earlier findings can't be used: {fault.problems[0].what}.", empty
        )
    promise = _promise(row, earlier)
    why_not = _not_comparable(promise, earlier, investigation)
    if why_not or promise.after is None:
        return FollowUpAnswer("cannot tell yet", why_not, promise)
    done_ns = round(as_utc(promise.after, investigation.casefile.case.time_zone).timestamp() * NS)
    return _judge(promise, done_ns, earlier, investigation)


def _promise(row: FollowUp, earlier: FindingsFile) -> Promise:
    """What [follow_up] tells itself, else what the earlier findings hold of the action."""
    told = {fact.what: fact.value for fact in earlier.facts}
    head = f"action {row.action}"
    after = told.get(f"{head} proven after") or told.get(f"{head} done")
    starts, hours = told.get(f"{head} starts"), told.get(f"{head} hours")
    return Promise(
        row.action,
        told.get(head, ""),
        row.signature or told.get(f"{head} signature", ""),
        row.done or (None if after is None else _day(after)),
        row.starts or (None if starts is None else _whole(starts)),
        row.hours or (None if hours is None else _number(hours)),
    )


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _whole(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() else None


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and value > 0 else None


def _not_comparable(promise: Promise, earlier: FindingsFile, now: Investigation) -> str:
    """Why the two cases can't be set against each other; empty where they can."""
    if promise.signature not in read_checks():
        return f"Action {promise.number} names no signature that could prove it: give follow_up.signature."
    if promise.after is None:
        return f"It is not told when action {promise.number} was done: give follow_up.done."
    serial = now.casefile.machine.serial
    if serial and earlier.machine.serial and serial != earlier.machine.serial:
        return f"The earlier findings are of serial {earlier.machine.serial}, this case is of serial {serial}."
    before = [row for row in earlier.findings if row.check == promise.signature]
    if not any(row.outcome is Outcome.PRESENT for row in before):
        return f"The earlier findings do not show '{promise.signature}' present, so its absence now proves nothing."
    return ""


def _judge(promise: Promise, done_ns: int, earlier: FindingsFile, now: Investigation) -> FollowUpAnswer:
    found = [finding for finding in now.findings if finding.check == promise.signature]
    starts, hours = _seen(found, done_ns, now)
    needed, needed_hours = _needed(promise, earlier)

    def answer(word: Worked, why: str) -> FollowUpAnswer:
        return FollowUpAnswer(
            answer=word,
            why=why,
            promise=promise,
            starts=starts,
            starts_needed=needed,
            hours=hours,
            hours_needed=needed_hours,
        )

    title = read_checks()[promise.signature].title
    present = [finding for finding in found if finding.outcome is Outcome.PRESENT]
    only_later = now.record.history.start_ns > done_ns
    late = [f for f in present if only_later or (f.from_ns is not None and f.from_ns > done_ns)]
    if late:
        return answer("still there", f"{title}: present after the action ({late[0].id}).")
    if present:
        return answer("cannot tell yet", f"{title}: present, and the data before the action share in it.")
    silent = [finding for finding in found if finding.outcome is Outcome.CANNOT_TELL]
    if silent or not found:
        why = silent[0].why_not if silent else "the check did not answer"
        return answer("cannot tell yet", f"{title}: can't be told from these data: {why}.")
    if needed is not None and starts < needed:
        return answer("cannot tell yet", f"{title}: not seen in {starts} starts after the action, of {needed} needed.")
    if needed_hours is not None and hours < needed_hours:
        words = f"{title}: not seen in {hours:.1f} h of running after the action, of {needed_hours:g} h needed."
        return answer("cannot tell yet", words)
    return answer("gone", f"{title}: absent over {starts} starts and {hours:.1f} h of running after the action.")


def _seen(found: Sequence[Finding], done_ns: int, now: Investigation) -> tuple[int, float]:
    """Starts and hours of running after the action in the span that the check answered for; else in the window."""
    window = now.record.window
    first = max(done_ns, min((f.from_ns for f in found if f.from_ns is not None), default=window.start_ns))
    last = max((f.to_ns for f in found if f.to_ns is not None), default=window.end_ns)
    starts = sum(first < start.earliest_ns and start.latest_ns <= last for start in now.starts if _judged(start, found))
    running = sum(max(0, min(run.last_ns, last) - max(run.first_ns, first)) for run in now.subject.runs)
    return starts, running / NS / HOUR_S


def _judged(start: Start, found: Sequence[Finding]) -> bool:
    """Whether a start counts: where the check is about loaded starts, one that could be judged."""
    per_start = read_follow_up_rules().per_start.checks
    return start.unloaded is not Answer.CANNOT_TELL or not any(finding.check in per_start for finding in found)


def _needed(promise: Promise, earlier: FindingsFile) -> tuple[int | None, float | None]:
    """Starts and hours that have to be seen: as promised, else by the rules; more where it came seldom before."""
    rules = read_follow_up_rules()
    starts, hours = promise.starts, promise.hours
    if starts is None and hours is None:
        if promise.signature.startswith("starts."):
            starts = round(rules.starts.value)
        else:
            hours = rules.hours.value
    share = earlier.unloaded_starts.high
    if promise.signature in rules.per_start.checks and share is not None and 0.0 < 1.0 - share < 1.0:
        seldom = math.ceil(math.log(rules.chance.value) / math.log(share))
        starts = max(starts or 0, seldom)
    return starts, hours


def follow_up_facts(investigation: Investigation) -> list[FactRow]:
    """The answer as facts of the later findings."""
    told = follow_up(investigation)
    row = investigation.casefile.follow_up
    if told is None or row is None:
        return []
    name = f"{_FACT}{told.promise.number}"
    return [
        FactRow(what=name, value=told.answer, source=row.findings),
        FactRow(what=f"{name}{_BECAUSE}", value=told.why, source=row.findings),
    ]


def follow_ups_told(findings: FindingsFile) -> list[tuple[str, str, str]]:
    """Number of the action, answer and reason of every follow-up that a findings file tells."""
    told = {fact.what: fact.value for fact in findings.facts if fact.what.startswith(_FACT)}
    return [
        (what.removeprefix(_FACT), value, told.get(f"{what}{_BECAUSE}", ""))
        for what, value in told.items()
        if not what.endswith(_BECAUSE)
    ]
