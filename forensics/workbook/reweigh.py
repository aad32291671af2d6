"""Weighs the causes again by other limits, from stored findings: for limits that are held against a stored estimate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from forensics.hypotheses import weigh
from forensics.investigation import Investigation, evidence_of
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome

_SHOWN_DB = 0.05


@dataclass(frozen=True)
class Reweighed:
    """What the verdict would be by other limits.

    Attributes
    ----------
    verdict
        Statement; empty where a limit needs a new reading of the exports.
    status, mode, grade
        Likewise.
    changed
        Findings whose outcome turned, as ``id: before -> now``, and those that weigh more or less, in decibans.
    needs_reading
        Limits that no stored estimate is held against: only a new run can tell.
    command
        The options for ``forensics report`` that would try the limits for good.
    """

    verdict: str
    status: str
    mode: str
    grade: str
    changed: tuple[str, ...]
    needs_reading: tuple[str, ...]
    command: str

    def __str__(self) -> str:
        if self.needs_reading:
            said = f"needs a new reading: {', '.join(self.needs_reading)}; no verdict is shown"
        else:
            grade = f" ({self.mode}, {self.grade})" if self.mode else ""
            turned = "; ".join(self.changed) or "no finding turns or changes its weight"
            said = f"{self.status}{grade}: {self.verdict}\n{turned}"
        return f"{said}\n{self.command}" if self.command else said


def tunable(work: Investigation) -> tuple[str, ...]:
    """Limits that a stored estimate was held against in this case, and that settle every outcome they were used for."""
    by_name: dict[str, list[Finding]] = {}
    for finding in work.findings:
        if finding.limit_name and finding.value is not None:
            by_name.setdefault(finding.limit_name, []).append(finding)
    return tuple(sorted(name for name, found in by_name.items() if all(_follows(f) for f in found)))


def reweigh(work: Investigation, limits: Mapping[str, float]) -> Reweighed:
    """Weigh again; see :meth:`forensics.Workbook.weigh`."""
    work.limits.replaced({name: (value, "tried") for name, value in limits.items()}, given_by="run")
    moved = {name: value for name, value in limits.items() if value != work.limits[name]}
    can = set(tunable(work))
    away = tuple(sorted(name for name in moved if name not in can))
    command = " ".join(f"--limit {name}={value:g}" for name, value in sorted(moved.items()))
    if away:
        return Reweighed(verdict="", status="", mode="", grade="", changed=(), needs_reading=away, command=command)
    findings = tuple(
        _by(f, moved[f.limit_name] * _factor(f, work)) if f.limit_name in moved and f.value is not None else f
        for f in work.findings
    )
    weighed = weigh(evidence_of(work, findings))
    verdict = weighed.verdict
    changed = tuple(
        f"{new.id}: {old.outcome.value} -> {new.outcome.value}"
        for old, new in zip(work.findings, findings, strict=True)
        if old.outcome is not new.outcome
    )
    stronger = tuple(
        f"{name}: {before:.1f} dB -> {after:.1f} dB"
        for name, before in work.weighing.strength.items()
        if (after := weighed.strength.get(name)) is not None and abs(after - before) >= _SHOWN_DB
    )
    return Reweighed(
        verdict=verdict.statement,
        status=verdict.status.value,
        mode="" if verdict.mode is None else str(verdict.mode),
        grade="" if verdict.grade is None else verdict.grade.value,
        changed=(*changed, *stronger),
        needs_reading=(),
        command=command,
    )


def _follows(finding: Finding) -> bool:
    """Whether the outcome follows from estimate and limit alone, so that another limit can be held against it."""
    return finding.limit is not None and _outcome(finding, finding.limit) is finding.outcome


def _outcome(finding: Finding, limit: float) -> Outcome | None:
    """The outcome of an estimate against a limit: where its interval holds the limit, it can't be told."""
    if finding.above is None or finding.value is None:
        return None
    low = finding.value if finding.low is None else finding.low
    high = finding.value if finding.high is None else finding.high
    if finding.above:
        return Outcome.PRESENT if low > limit else Outcome.ABSENT if high <= limit else Outcome.CANNOT_TELL
    return Outcome.PRESENT if high < limit else Outcome.ABSENT if low >= limit else Outcome.CANNOT_TELL


def _by(finding: Finding, limit: float) -> Finding:
    outcome = _outcome(finding, limit) or finding.outcome
    why = f"its interval holds the limit {limit:g} {finding.unit}".rstrip() if outcome is Outcome.CANNOT_TELL else ""
    return replace(finding, limit=limit, outcome=outcome, why_not=why)


def _factor(finding: Finding, work: Investigation) -> float:
    """What the limit of a finding is to the limit of the rules: one check may hold a multiple of it."""
    base = work.limits[finding.limit_name]
    return finding.limit / base if finding.limit is not None and base else 1.0
