"""The verdict in words: one or two sentences that a claims reader can quote, naming the evidence."""

from __future__ import annotations

from collections.abc import Mapping

from forensics.hypotheses.evidence import Evidence, Robustness, Verdict
from forensics.hypotheses.judge import Judgement
from forensics.hypotheses.next_tests import live_modes, next_test_of, next_tests
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
        return _determined(judgement, judgement.cause, tallies, findings, evidence, chain=chain, rows=rows)
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
    unordered = "" if len(chain) > 1 else "; which came first the record does not prove"
    second = f" Proven beside it: {'; '.join(beside)}{unordered}." if beside else ""
    ending = "." if shown or by_hand else ""
    statement = f"{grade.value.capitalize()}: {evidence.modes[cause].title}.{shown}{by_hand}{ending}{second}"
    change = [
        f"{test.test} (splits {' from '.join(test.splits)})" if len(test.splits) > 1 else test.test
        for test in next_tests(judgement, tallies, evidence)
        if cause in test.splits
    ]
    statement += _one_source(because, findings)
    change += [f"the verdict is {row.verdict} {row.changed}" for row in rows if row.verdict.partition(" ")[0] != cause]
    return Verdict(
        status=VerdictStatus.DETERMINED,
        mode=cause,
        grade=grade,
        also=judgement.also,
        chain=chain,
        statement=statement,
        because=because,
        against=against,
        would_change_it=tuple(change),
        plain=_plain_cause(judgement, cause, evidence),
    )


def _one_source(because: tuple[str, ...], findings: Mapping[str, Finding]) -> str:
    """That all of it stands in one export, or was read off one column, where that is so."""
    cites = {(cite.source, cite.column) for id_ in because for cite in findings[id_].cites}
    sources = sorted({source for source, _ in cites})
    if len(sources) != 1:
        return ""
    column = f", in one column of it ('{next(iter(cites))[1]}')" if len(cites) == 1 else ""
    return f" All of it stands in one export{column}: {sources[0]}."


_SURE = {
    Grade.CONFIRMED: "It was found by hand and fits what was recorded.",
    Grade.PROBABLE: "What was recorded makes this much likelier than anything else; nobody has seen it by hand yet.",
}


def _plain_cause(judgement: Judgement, cause: str, evidence: Evidence) -> str:
    """Page one's sentence: what the cause means, and how sure it is, or the second fault where there are two."""
    modes = evidence.modes
    beside = [name for name in judgement.also if name not in modes.consequences(cause)]
    if beside:
        return f"{modes[cause].plain} Beside it: {_lower(modes[beside[0]].plain)}"
    return f"{modes[cause].plain} {_SURE[judgement.grades[cause]]}"


def _plain_open(alive: list[str], evidence: Evidence) -> str:
    if not alive:
        return "These records do not show what happened, and they are too thin to call the machine sound."
    more = "" if len(alive) == 1 else f" {len(alive) - 1} more can't be told from it."
    return f"These records do not prove one cause; what fits best: {_lower(evidence.modes[alive[0]].plain)}{more}"


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _titles(ids: tuple[str, ...], findings: Mapping[str, Finding]) -> str:
    """Titles of checks that were seen, each once, for a sentence that can be quoted; absences are told elsewhere."""
    told = [findings[id_].check for id_ in ids if id_ in findings and findings[id_].outcome is Outcome.PRESENT]
    titles = [read_checks()[check].title for check in dict.fromkeys(told) if check in read_checks()]
    return "; ".join(_lower(title) for title in titles[:_NAMED])


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
    none = evidence.modes.by_id.get(str(Mode.NONE))
    plain = "" if none is None else f"{none.plain} What could not be seen is listed."
    against = tuple(sorted(against))
    return Verdict(
        status=VerdictStatus.NO_FAULT_FOUND,
        mode=None,
        grade=None,
        also=(),
        chain=(),
        statement=statement,
        because=because,
        against=against,
        would_change_it=change,
        plain=plain,
    )


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
    plain = _plain_open(alive, evidence)
    cited = tuple(dict.fromkeys(because))
    return Verdict(
        status=VerdictStatus.UNDETERMINED,
        mode=None,
        grade=None,
        also=(),
        chain=(),
        statement=statement,
        because=cited,
        against=(),
        would_change_it=change,
        plain=plain,
    )


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
