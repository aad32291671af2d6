"""Where entries of the job's tables speak against each other; judges nothing, and refuses nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from forensics.case.schema import CaseFile
from forensics.case.values import local_to_utc

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
    "fact": "claim facts",
}


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing that a step lacks, or in which two entries speak against each other.

    Attributes
    ----------
    step
        A step of the job, ``custody`` or ``fact``.
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


def contradictions(case: CaseFile) -> list[Gap]:
    """Every pair of entries that speak against each other; both are kept."""
    looks: tuple[Callable[[CaseFile], list[Gap]], ...] = (
        _said,
        _held,
        _asked,
        _decided,
        _same_test,
        _same_part,
        _sampled,
        _acted,
    )
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


def _held(case: CaseFile) -> list[Gap]:
    rows = [("hold", row.item, row.place, row.saved) for row in case.hold]
    return _two_ways(rows, "saved in the one and not saved in the other")


def _asked(case: CaseFile) -> list[Gap]:
    rows = [("request", row.what, row.of, row.received) for row in case.request]
    return _two_ways(rows, "received in the one and not received in the other")


def _two_ways(rows: Sequence[tuple[str, str, str, bool | None]], words: str) -> list[Gap]:
    """Entries of one thing of which one says yes and another no."""
    seen: dict[tuple[str, str], tuple[int, bool]] = {}
    out = []
    for n, (step, what, where, yes) in enumerate(rows, 1):
        if yes is None:
            continue
        first, before = seen.setdefault((what.casefold(), where.casefold()), (n, yes))
        if before != yes:
            out.append(_against(step, f"{step} {n} ({what})", f"as {step} {first}: {words}"))
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
