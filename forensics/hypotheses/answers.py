"""The answers of each check taken together, what is firm in them, and what part of their decibans they carry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from forensics.hypotheses.modes import FailureMode
from forensics.hypotheses.scale import Scale
from forensics.hypotheses.strength import Amount, chance_beyond, part_of, share_of
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome

STALE = "was absent only before the evidence of this mode begins"


@dataclass(frozen=True, slots=True)
class Answered:
    """The answers of one check taken together.

    ``firm`` is False where they rest on one sample, or on valve polarity that nobody confirmed.
    """

    outcome: Outcome
    findings: tuple[Finding, ...]
    firm: bool
    weak_because: str = ""


def answers(findings: Iterable[Finding], *, polarity_confirmed: bool) -> dict[str, Answered]:
    """Take the answers of each check together: present wins, absent needs every answer absent."""
    by_check: dict[str, list[Finding]] = {}
    for finding in findings:
        by_check.setdefault(finding.check, []).append(finding)
    return {check: _together(found, polarity_confirmed=polarity_confirmed) for check, found in sorted(by_check.items())}


def _together(found: list[Finding], *, polarity_confirmed: bool) -> Answered:
    outcomes = {finding.outcome for finding in found}
    if Outcome.PRESENT in outcomes:
        outcome = Outcome.PRESENT
    elif outcomes == {Outcome.ABSENT}:
        outcome = Outcome.ABSENT
    else:
        outcome = Outcome.CANNOT_TELL
    telling = tuple(sorted((f for f in found if f.outcome is outcome), key=lambda f: f.id))
    weak = [reason for finding in telling if (reason := _not_firm(finding, polarity_confirmed=polarity_confirmed))]
    all_weak = len(weak) == len(telling) if outcome is Outcome.PRESENT else bool(weak)
    return Answered(outcome, telling, firm=not all_weak, weak_because=weak[0] if weak else "")


def _not_firm(finding: Finding, *, polarity_confirmed: bool) -> str:
    if finding.samples == 1:
        return f"{finding.id} rests on one sample"
    if finding.rests_on_commands and not polarity_confirmed:
        return f"{finding.id} rests on valve polarity that is not confirmed"
    return ""


def outcome_of(told: Mapping[str, Answered], check: str) -> Outcome:
    """The outcome of a check; a check that nobody answered can't tell."""
    return told[check].outcome if check in told else Outcome.CANNOT_TELL


def amount_of(finding: Finding) -> Amount | None:
    """The numbers of a finding; None where it has none, or where its outcome does not follow from them alone."""
    if finding.above is None or finding.value is None or finding.limit is None:
        return None
    beyond = finding.value > finding.limit if finding.above else finding.value < finding.limit
    if finding.outcome is not Outcome.CANNOT_TELL and beyond is not (finding.outcome is Outcome.PRESENT):
        return None
    return Amount(
        value=finding.value,
        low=finding.low,
        high=finding.high,
        limit=finding.limit,
        above=finding.above,
        unit=finding.unit,
        detectable=finding.detectable,
    )


def part_for(finding: Finding, mode: str, scale: Scale) -> float:
    """Part of a word's decibans that a finding carries for a mode; 1 where it is told in words, without numbers."""
    amount, curve = amount_of(finding), scale.curves.of(finding.check, mode)
    if amount is None:
        return share_of(finding.outcome, curve)
    return part_of(finding.outcome, amount, curve, scale.curves.by_unit(finding.unit))


def absent_part(answer: Answered, mode: str, scale: Scale) -> float:
    """Part that an absence carries: that of the answer which could see least."""
    return min((part_for(finding, mode, scale) for finding in answer.findings), default=0.0)


def straddles(finding: Finding) -> bool:
    """Whether the interval of a finding holds its limit."""
    amount = amount_of(finding)
    if amount is None:
        return False
    low = amount.value if amount.low is None else amount.low
    high = amount.value if amount.high is None else amount.high
    return low < amount.limit < high


def smallest_seen(finding: Finding) -> str:
    """The smallest effect that would have been seen, in words; empty where the finding has no numbers."""
    if finding.detectable is not None:
        return f"{'below' if finding.above is False else 'from'} {finding.detectable:.3g} {finding.unit}".strip()
    if finding.limit is None:
        return ""
    return f"{'below' if finding.above is False else 'beyond'} {finding.limit:.3g} {finding.unit}".strip()


def likely_beyond(finding: Finding, scale: Scale) -> float:
    """Chance that the true value lies beyond the limit; 0 where the finding has no numbers."""
    amount = amount_of(finding)
    if amount is None:
        return 0.0
    return chance_beyond(amount, scale.curves.of(finding.check, ""), scale.curves.by_unit(finding.unit))


def fresh(rule: FailureMode, told: Mapping[str, Answered]) -> Mapping[str, Answered]:
    """The answers as they bear on one mode: what was absent only before its own evidence begins says nothing of it."""
    heavy = [s.check for s in rule.for_ if s.outcome == "present" and s.weight in ("decisive", "strong")]
    began = [
        finding.from_ns
        for check in heavy
        if outcome_of(told, check) is Outcome.PRESENT
        for finding in told[check].findings
        if finding.from_ns is not None
    ]
    if not began:
        return told
    onset_ns = min(began)
    stale = {
        check: Answered(Outcome.CANNOT_TELL, answer.findings, firm=False)
        for check, answer in told.items()
        if answer.outcome is Outcome.ABSENT
        and all(finding.to_ns is not None and finding.to_ns < onset_ns for finding in answer.findings)
    }
    return {**told, **stale} if stale else told
