"""Judge a case, and judge it again with some findings changed: only the modes that read them are tallied anew.

A notebook's slider, and every row of the sensitivity, asks for the judgement of the same case with a limit moved.
:func:`reweigh` answers from what the findings store (estimate, interval, smallest effect seen) and reads no record.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from forensics.hypotheses.answers import Answered, amount_of, answers, straddles
from forensics.hypotheses.chain import earlier_pairs
from forensics.hypotheses.evidence import Evidence
from forensics.hypotheses.inspection_evidence import Remark, observed
from forensics.hypotheses.judge import Circumstances, Judgement, judge
from forensics.hypotheses.measurements import measured
from forensics.hypotheses.modes import FailureMode
from forensics.hypotheses.scale import Scale, read_scale
from forensics.hypotheses.score import Score, tally
from forensics.hypotheses.sound import left_usual, open_modes
from forensics.model.findings import Finding, Stop
from forensics.model.points import NS
from forensics.model.record import LogLine
from forensics.model.vocabulary import Outcome, Starter, StopKind


@dataclass(frozen=True, slots=True)
class Judged:
    """Tallies of all modes, the judgement on them, and the findings by id."""

    tallies: Mapping[str, Score]
    judgement: Judgement
    findings: Mapping[str, Finding]


@dataclass(slots=True)
class Weigher:
    """A case as it is weighed: what does not change between two judgements of it is made once."""

    evidence: Evidence
    scale: Scale = field(default_factory=read_scale)
    remarks: tuple[Remark, ...] = ()
    _told: Mapping[str, Answered] = field(default_factory=dict)
    _tallies: Mapping[str, Score] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.remarks = (*observed(self.evidence), *measured(self.evidence))

    def judge(self, findings: Iterable[Finding]) -> Judged:
        """Judge the case on these findings."""
        found = tuple(findings)
        told = answers(found, polarity_confirmed=self.evidence.polarity_confirmed)
        other = {check for check in told.keys() | self._told.keys() if not _same(told, self._told, check)}
        tallies = {
            rule.id: _where_it_applies(
                tally(rule, self._heard(rule, told), self.remarks, self.scale, self.evidence.tripped_on),
                rule,
                self.evidence,
            )
            if rule.id not in self._tallies or not other.isdisjoint(rule.checks)
            else self._tallies[rule.id]
            for rule in self.evidence.modes.causes
        }
        if not self._tallies:
            self._told, self._tallies = told, tallies
        by_id = {finding.id: finding for finding in found}
        around = Circumstances(
            _called(self.evidence, self.scale),
            earlier_pairs(tallies, by_id, self.evidence),
            open_modes(tallies, told, self.evidence),
            left_usual(found, self.scale),
        )
        return Judged(tallies, judge(tallies, self.evidence.modes, self.scale, around), by_id)

    def _heard(self, rule: FailureMode, told: Mapping[str, Answered]) -> Mapping[str, Answered]:
        """The answers without those that say nothing of a mode on this build."""
        void = self.evidence.voided.get(rule.id)
        return told if not void else {check: answer for check, answer in told.items() if check not in void}


def _where_it_applies(one: Score, rule: FailureMode, evidence: Evidence) -> Score:
    """A mode of a thing that the machine does not have, by its build, is excluded by that, not by the data."""
    machine = evidence.machine
    if why := evidence.impossible.get(rule.id):
        return replace(one, excluded_by=f"does not apply: {why}", observable="no")
    lacks = {
        "economiser": machine.economiser is False,
        "drive": machine.starter is not None and machine.starter is not Starter.VARIABLE_SPEED,
    }
    if not lacks.get(rule.only_with, False):
        return one
    return replace(one, excluded_by=f"does not apply: the machine has no {rule.only_with}")


def _same(told: Mapping[str, Answered], before: Mapping[str, Answered], check: str) -> bool:
    one, other = told.get(check), before.get(check)
    if one is None or other is None:
        return False
    return one.firm is other.firm and len(one.findings) == len(other.findings) and all(
        a is b for a, b in zip(one.findings, other.findings, strict=True)
    )  # fmt: skip


def reweigh(evidence: Evidence, limits: Mapping[str, float]) -> Judgement:
    """The judgement of a case with limits changed, from what its findings store.

    Parameters
    ----------
    limits
        New values by name, in the unit of each limit. A finding whose limit had been widened keeps the widening in
        proportion. What could not be told because its interval held the limit is told where it holds it no more.
    """
    moved = tuple(_with_limit(finding, limits, evidence) for finding in evidence.findings)
    return Weigher(evidence).judge(moved).judgement


def _with_limit(finding: Finding, limits: Mapping[str, float], evidence: Evidence) -> Finding:
    if finding.limit_name not in limits or finding.limit is None:
        return finding
    known, new = evidence.limits[finding.limit_name], limits[finding.limit_name]
    limit = finding.limit * new / known if known else finding.limit + new - known
    if finding.outcome is Outcome.CANNOT_TELL and straddles(finding) and finding.value is not None:
        told = replace(finding, limit=limit)
        beyond = finding.value > limit if finding.above else finding.value < limit
        return told if straddles(told) else replace(told, outcome=Outcome.PRESENT if beyond else Outcome.ABSENT)
    return regraded(finding, limit=limit)


def regraded(finding: Finding, *, value: float | None = None, limit: float | None = None) -> Finding:
    """The finding with its value or its limit moved, graded again from what is stored.

    A finding without a number, or whose stored outcome does not follow from value and limit alone, is kept as it is:
    a limit that is only part of its test can't turn it by itself. A moved value is held as exact.
    """
    amount = amount_of(finding)
    if amount is None or finding.outcome is Outcome.CANNOT_TELL:
        return finding
    new_limit = amount.limit if limit is None else limit
    changed = replace(finding, limit=new_limit)
    if value is not None:
        changed = replace(changed, value=value, low=value, high=value)
    now = amount.value if value is None else value
    beyond = now > new_limit if amount.above else now < new_limit
    return replace(changed, outcome=Outcome.PRESENT if beyond else Outcome.ABSENT)


def _called(evidence: Evidence, scale: Scale) -> str:
    """Words of what stopped the machine in the window, or called for attention at the failure; empty for neither."""
    trips: list[Stop] = [
        stop
        for stop in evidence.stops
        if stop.kind is StopKind.TRIP and (stop.in_window or evidence.window.holds(stop.time_ns))
    ]
    if trips:
        stop = min(trips, key=lambda one: abs(one.time_ns - evidence.failure_ns))
        return stop.cause_text or "trip without a text"
    near_ns = round(scale.alarm_near_s * NS)
    for line in evidence.log:
        if abs(line.time_ns - evidence.failure_ns) <= near_ns and _is_alarm(line, scale):
            return line.text or line.point
    return ""


def _is_alarm(line: LogLine, scale: Scale) -> bool:
    words = f"{line.point} {line.value}".casefold()
    over = line.value.strip().casefold() in scale.alarm_over
    return not over and any(word in words for word in scale.alarm_words)
