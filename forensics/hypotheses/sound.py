"""Which modes keep a machine from being called sound: those that the record could have shown and did not settle.

A quantity that nobody logged is told as not seen; it neither clears nor condemns. One that was logged and not decided
leaves the machine open: what was missed there may be a fault. A mode that ends the run needs a run that was ended.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from forensics.hypotheses.answers import Answered, outcome_of, straddles
from forensics.hypotheses.evidence import Evidence
from forensics.hypotheses.modes import FailureMode
from forensics.hypotheses.scale import Scale
from forensics.hypotheses.score import Score
from forensics.model.findings import DOES_NOT_APPLY, Finding
from forensics.model.vocabulary import Outcome
from forensics.rules import read_checks


def open_modes(tallies: Mapping[str, Score], told: Mapping[str, Answered], evidence: Evidence) -> frozenset[str]:
    """Modes of which a machine is not cleared by this record though it holds, or must hold, what shows them.

    Parameters
    ----------
    told
        The answers by check.
    """
    return frozenset(
        rule.id
        for rule in evidence.modes.causes
        if rule.id in tallies and not tallies[rule.id].excluded_by
        if _half_seen(rule, told) or (not tallies[rule.id].cleared_by and _keeps_open(rule, told, evidence))
    )


def not_seen(tallies: Mapping[str, Score]) -> tuple[str, ...]:
    """Modes of which nothing was settled, to be told beside a verdict that nothing was found."""
    return tuple(sorted(name for name, one in tallies.items() if not one.cleared))


def left_usual(findings: Iterable[Finding], scale: Scale) -> bool:
    """Whether a reading surely left what is usual at like duty, on the side of a fault, by a part of its limit."""
    return any(_surely_left(finding) > scale.clear_change_part_max for finding in findings)


def _surely_left(finding: Finding) -> float:
    """Distance of the near end of the interval from the usual, as a part of the limit's; 0 where it holds the usual."""
    ends = (finding.usual, finding.low, finding.high, finding.limit)
    if any(one is None for one in ends):
        return 0.0
    usual, low, high, limit = (one for one in ends if one is not None)
    if limit == usual:
        return 0.0
    return max(0.0, min((low - usual) / (limit - usual), (high - usual) / (limit - usual)))


def _half_seen(rule: FailureMode, told: Mapping[str, Answered]) -> bool:
    """Whether one of the effects that come late was measured and its interval holds the limit.

    Where the others come later still, that they are absent says nothing of it.
    """
    checks = {check for need in rule.required if need.late for check in need.any_}
    silent = [told[check] for check in checks if outcome_of(told, check) is Outcome.CANNOT_TELL and check in told]
    return any(straddles(finding) for answer in silent for finding in answer.findings)


def _keeps_open(rule: FailureMode, told: Mapping[str, Answered], evidence: Evidence) -> bool:
    checks = list(dict.fromkeys(check for need in rule.required for check in need.any_))
    applying = [check for check in checks if not _void(told, check)]
    if checks and not applying:
        return False
    if rule.needed_to_clear:
        return True
    if rule.ends_the_run:
        return False
    silent = [check for check in applying if outcome_of(told, check) is Outcome.CANNOT_TELL]
    return any(_logged(check, evidence) for check in silent)


def _void(told: Mapping[str, Answered], check: str) -> bool:
    """Whether the build makes a check meaningless."""
    return check in told and all(finding.reason.startswith(DOES_NOT_APPLY) for finding in told[check].findings)


def _logged(check: str, evidence: Evidence) -> bool:
    """Whether every point that a check needs was logged, at whatever interval."""
    return all(any(role in evidence.points for role in need.roles) for need in read_checks()[check].needs)
