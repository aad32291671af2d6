"""The verdict in words: one or two sentences that a claims reader can quote, naming the evidence."""

from __future__ import annotations

from collections.abc import Mapping

from forensics.hypotheses.evidence import Evidence, Robustness, Verdict
from forensics.hypotheses.judge import Judgement
from forensics.hypotheses.next_tests import LIVE, live_modes, next_test_of
from forensics.hypotheses.score import Score
from forensics.model.findings import Finding
from forensics.model.vocabulary import Grade, Mode, Outcome, VerdictStatus
from forensics.rules import read_checks

_NAMED = 3


def verdict_of(
    judgement: Judgement,
    tallies: Mapping[str, Score],
    findings: Mapping[str, Finding],
    evidence: Evidence,
    chain: tuple[str, ...],
    rows: tuple[Robustness, ...],
) -> Verdict:
    """Put the judgement into the words of the findings file."""
    if judgement.cause is not None:
        return _determined(judgement, judgement.cause, tallies, findings, evidence, chain, rows)
    if judgement.status is VerdictStatus.NO_FAULT_FOUND:
        return _sound(judgement, tallies, findings, evidence)
    return _open(judgement, tallies, findings, evidence)


def _determined(
    judgement: Judgement,
    cause: str,
    tallies: Mapping[str, Score],
    findings: Mapping[str, Finding],
    evidence: Evidence,
    chain: tuple[str, ...],
    rows: tuple[Robustness, ...],
) -> Verdict:
    grade = judgement.grades[cause]
    because = _cited(tallies[cause], "for", findings, counted_only=True)
    against = _cited(tallies[cause], "against", findings, counted_only=False)
    shown = f" It rests on: {_titles(because, findings)}" if because else ""
    by_hand = f"; {' and '.join(tallies[cause].shown_by)} shows the cause itself" if grade is Grade.CONFIRMED else ""
    beside = [evidence.modes[name].title for name in judgement.also if name not in evidence.modes.consequences(cause)]
    second = f" Proven beside it: {'; '.join(beside)}." if beside else ""
    ending = "." if shown or by_hand else ""
    statement = f"{grade.value.capitalize()}: {evidence.modes[cause].title}.{shown}{by_hand}{ending}{second}"
    change = [
        f"{look.test} (splits it from {look.mode})"
        for look in evidence.modes[cause].look_alikes
        if judgement.grades.get(look.mode) in LIVE or judgement.grades.get(look.mode) is Grade.NOT_OBSERVABLE
    ]
    change += [i.test for i in evidence.modes[cause].inspections]
    change += [f"the verdict is {row.verdict} {row.changed}" for row in rows if row.verdict.partition(" ")[0] != cause]
    return Verdict(
        VerdictStatus.DETERMINED, cause, grade, judgement.also, chain, statement, because, against, tuple(change)
    )


def _titles(ids: tuple[str, ...], findings: Mapping[str, Finding]) -> str:
    """Titles of checks, each once, for a sentence that can be quoted; what counts by its absence is said to be so."""
    told = {findings[id_].check: findings[id_].outcome for id_ in ids[:_NAMED] if id_ in findings}
    words = []
    for check, outcome in told.items():
        if check in read_checks():
            title = read_checks()[check].title
            words.append(("not seen: " if outcome is Outcome.ABSENT else "") + title[:1].lower() + title[1:])
    return "; ".join(words)


def _sound(
    judgement: Judgement, tallies: Mapping[str, Score], findings: Mapping[str, Finding], evidence: Evidence
) -> Verdict:
    unseen = [name for name, one in tallies.items() if one.observable == "no"]
    partly = [name for name, one in tallies.items() if one.observable == "partly"]
    seen = len(tallies) - len(unseen)
    blind = f" Not to be seen with these points: {', '.join(sorted(unseen))}." if unseen else ""
    half = f" Seen in part only: {', '.join(sorted(partly))}." if partly else ""
    statement = (
        f"No fault found: in what could be seen, nothing was wrong with the machine; {seen} of {len(tallies)} failure "
        f"modes were open to view in full or in part.{blind}{half}"
    )
    absent = [name for name, one in tallies.items() if one.excluded_by]
    because = tuple(
        dict.fromkeys(
            cell.finding
            for name in sorted(absent)
            for cell in tallies[name].cells
            if cell.effect == "against" and cell.counted and cell.finding in findings
        )
    )
    against = tuple(
        dict.fromkeys(
            cell.finding for one in tallies.values() for cell in one.cells
            if cell.effect == "for" and cell.outcome.value == "present" and cell.finding in findings
        )
    )  # fmt: skip
    change = tuple(f"any record that shows {name}" for name in sorted(unseen)) or ("a record of another period",)
    return Verdict(VerdictStatus.NO_FAULT_FOUND, None, None, (), (), statement, because, tuple(sorted(against)), change)


def _open(
    judgement: Judgement, tallies: Mapping[str, Score], findings: Mapping[str, Finding], evidence: Evidence
) -> Verdict:
    alive = [name for name in live_modes(judgement, tallies) if name != Mode.NONE]
    because: list[str] = []
    for name in alive[:_NAMED]:
        because += _cited(tallies[name], "for", findings, counted_only=True)
    named = [evidence.modes[name].title for name in alive[:_NAMED]]
    if named:
        more = f" and {len(alive) - _NAMED} more" if len(alive) > _NAMED else ""
        capped = [reason for name in alive[:_NAMED] for reason in judgement.capped.get(name, ())]
        held = f" What keeps the grade down: {'; '.join(dict.fromkeys(capped))}." if capped else ""
        seen = f" What fits: {_titles(tuple(because[:_NAMED]), findings)}." if because else ""
        statement = f"Undetermined: possible is {_or(named)}{more}.{seen}{held}"
    else:
        blind = [name for name, one in tallies.items() if one.observable == "no"]
        statement = (
            "Undetermined: nothing in these data singles out a cause, and they are too thin to call the machine sound; "
            f"{len(blind)} of {len(tallies)} failure modes could not be seen at all."
        )
    change = tuple(dict.fromkeys(next_test_of(name, judgement, tallies, evidence) for name in alive)) or tuple(
        dict.fromkeys(f.unlocked_by for f in findings.values() if f.unlocked_by)
    )
    return Verdict(VerdictStatus.UNDETERMINED, None, None, (), (), statement, tuple(dict.fromkeys(because)), (), change)


def _cited(one: Score, effect: str, findings: Mapping[str, Finding], *, counted_only: bool) -> tuple[str, ...]:
    return tuple(
        dict.fromkeys(
            cell.finding
            for cell in one.cells
            if cell.effect == effect and cell.finding in findings and (cell.counted or not counted_only)
        )
    )


def _or(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} or {parts[-1]}"
