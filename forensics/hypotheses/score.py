"""What the findings come to for each mode: points for and against, what is firm, what excludes, what could be seen.

Points are ten times the decimal logarithm of a likelihood ratio, so independent evidence adds (Good, I. J., Probability
and the Weighing of Evidence, 1950: the deciban). Findings that show one effect twice count once, by the heaviest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from forensics.hypotheses.evidence import Cell
from forensics.hypotheses.inspection_evidence import Remark
from forensics.hypotheses.modes import FailureMode, Scale, Sign
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


@dataclass(frozen=True, slots=True)
class Score:
    """One mode's account.

    Attributes
    ----------
    for_points, firm_points, against_points
        Points of all evidence for it, of the firm part of it, and against it.
    own_present
        Points by check of present findings for it that counted: what another mode would have to explain.
    seen_points
        Points of present evidence for it: what elimination adds is left out.
    strong_against
        Finding ids of strong or decisive evidence against it.
    excluded_by
        In words, the required effect that was observable and absent; empty where there is none.
    observable
        ``yes``, ``partly`` or ``no``.
    leans
        Whether a strong sign lies beyond its limit with an interval that holds it: no proof, but no sound machine.
    """

    mode: str
    cells: tuple[Cell, ...]
    for_points: float
    firm_points: float
    against_points: float
    own_present: Mapping[str, float]
    seen_points: float
    has_strong: bool
    strong_against: tuple[str, ...]
    excluded_by: str
    observable: str
    unseen: tuple[str, ...]
    not_firm_because: tuple[str, ...]
    shown_by: tuple[str, ...]
    leans: bool = False

    @property
    def net(self) -> float:
        """Points for less points against, of all evidence."""
        return self.for_points - self.against_points

    @property
    def firm_net(self) -> float:
        """Points for that are firm, less all points against."""
        return self.firm_points - self.against_points


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


def tally(rule: FailureMode, told: Mapping[str, Answered], remarks: Sequence[Remark], scale: Scale) -> Score:
    """Account for one mode.

    Parameters
    ----------
    told
        The answers by check; a check without an answer cannot tell.
    remarks
        Observations and measurements of the case; those on other modes are passed over.
    """
    told = _fresh(rule, told)
    mine = [remark for remark in remarks if remark.mode == rule.id]
    for_cells = _count([*_cells(rule, rule.for_, told, "for", scale), *_said(rule, mine, scale, supports=True)])
    against = _count([*_cells(rule, rule.against, told, "against", scale), *_said(rule, mine, scale, supports=False)])
    firm = {check for check, answer in told.items() if answer.firm}
    firm |= {remark.id for remark in mine if remark.firm}
    firm_cells = _count([cell for cell in for_cells if cell.check in firm])
    unseen = tuple(check for check in rule.checks if _outcome(told, check) is Outcome.CANNOT_TELL)
    strong = (scale.points("strong"), scale.points("decisive"))
    return Score(
        mode=rule.id,
        cells=(*for_cells, *against, *_silent(rule, told)),
        for_points=sum(cell.points for cell in for_cells if cell.counted),
        firm_points=sum(cell.points for cell in firm_cells if cell.counted),
        against_points=sum(cell.points for cell in against if cell.counted),
        own_present={
            c.check: c.points for c in firm_cells if c.counted and c.outcome is Outcome.PRESENT and c.check in told
        },
        seen_points=sum(cell.points for cell in for_cells if cell.counted and cell.outcome is Outcome.PRESENT),
        has_strong=any(c.points >= min(strong) for c in firm_cells if c.outcome is Outcome.PRESENT and c.check in told),
        strong_against=tuple(c.finding for c in against if c.points >= min(strong) and _is_firm(c, told, firm)),
        excluded_by=_excluded(rule, told, mine, for_cells),
        observable=_observable(rule, told),
        unseen=unseen,
        not_firm_because=tuple(
            dict.fromkeys(told[c.check].weak_because for c in for_cells if c.check in told and c.check not in firm)
        ),
        leans=_leans(rule, told),
        shown_by=tuple(remark.id for remark in mine if remark.shows_cause),
    )


def _fresh(rule: FailureMode, told: Mapping[str, Answered]) -> Mapping[str, Answered]:
    """The answers as they bear on one mode: what was absent only before its own evidence begins says nothing of it."""
    heavy = [s.check for s in rule.for_ if s.outcome == "present" and s.weight in ("decisive", "strong")]
    began = [
        finding.from_ns
        for check in heavy
        if _outcome(told, check) is Outcome.PRESENT
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


def _leans(rule: FailureMode, told: Mapping[str, Answered]) -> bool:
    """Whether a strong sign could not be told only because its interval holds the limit, and its value lies beyond."""
    for sign in rule.for_:
        if sign.outcome != "present" or sign.weight not in ("decisive", "strong"):
            continue
        if _outcome(told, sign.check) is not Outcome.CANNOT_TELL or sign.check not in told:
            continue
        for one in told[sign.check].findings:
            if one.value is None or one.limit is None or one.above is None:
                continue
            if one.value > one.limit if one.above else one.value < one.limit:
                return True
    return False


def _is_firm(cell: Cell, told: Mapping[str, Answered], firm: set[str]) -> bool:
    return cell.check in firm or cell.check not in told


def _outcome(told: Mapping[str, Answered], check: str) -> Outcome:
    return told[check].outcome if check in told else Outcome.CANNOT_TELL


_Grouped = tuple[str, Cell]


def _cells(
    rule: FailureMode, signs: Iterable[Sign], told: Mapping[str, Answered], effect: str, scale: Scale
) -> list[Cell]:
    cells = []
    for sign in signs:
        if _outcome(told, sign.check).value != sign.outcome:
            continue
        answer = told[sign.check]
        for finding in answer.findings:
            cells.append(
                Cell(
                    rule.id, finding.id, sign.check, answer.outcome, effect, sign.weight, scale.points(sign.weight),
                    counted=True, basis=f"{sign.group}|{sign.basis}",
                )
            )  # fmt: skip
    return cells


def _said(rule: FailureMode, remarks: Iterable[Remark], scale: Scale, *, supports: bool) -> list[Cell]:
    effect = "for" if supports else "against"
    return [
        Cell(
            rule.id, remark.id, remark.id, Outcome.PRESENT, effect, remark.weight, scale.points(remark.weight),
            counted=True, basis=f"{'shown' if remark.firm else 'said'} by hand|{remark.basis}",
        )
        for remark in remarks
        if remark.supports is supports
    ]  # fmt: skip


def _count(cells: list[Cell]) -> list[Cell]:
    """Mark, of each effect, the heaviest as the one that counts; heaviest first, then by id."""
    seen: set[str] = set()
    counted = []
    for cell in sorted(cells, key=lambda cell: (-cell.points, cell.finding)):
        group = cell.basis.partition("|")[0]
        counted.append(
            Cell(
                cell.mode, cell.finding, cell.check, cell.outcome, cell.effect, cell.weight, cell.points,
                counted=group not in seen, basis=cell.basis,
            )
        )  # fmt: skip
        seen.add(group)
    return counted


def _silent(rule: FailureMode, told: Mapping[str, Answered]) -> list[Cell]:
    return [
        Cell(
            rule.id,
            finding.id,
            check,
            Outcome.CANNOT_TELL,
            "cannot-tell",
            "",
            0.0,
            counted=False,
            basis=finding.why_not or STALE,
        )
        for check in rule.checks
        if check in told and told[check].outcome is Outcome.CANNOT_TELL
        for finding in told[check].findings
    ]


def _excluded(rule: FailureMode, told: Mapping[str, Answered], remarks: list[Remark], for_cells: list[Cell]) -> str:
    """The required effect that was observable and absent, in words; never against something strong for the mode."""
    if any(remark.supports and remark.firm for remark in remarks):
        return ""
    if any(cell.weight in ("decisive", "strong") and cell.outcome is Outcome.PRESENT for cell in for_cells):
        return ""
    for need in rule.required:
        if all(_outcome(told, check) is Outcome.ABSENT and told[check].firm for check in need.any_):
            return f"{' and '.join(need.any_)}: observable and absent ({need.basis})"
    return ""


def _observable(rule: FailureMode, told: Mapping[str, Answered]) -> str:
    if not rule.required:
        return "partly"
    seen = [[_outcome(told, check) is not Outcome.CANNOT_TELL for check in need.any_] for need in rule.required]
    if all(any(need) for need in seen) and any(all(need) for need in seen):
        return "yes"
    return "partly" if any(any(need) for need in seen) else "no"
