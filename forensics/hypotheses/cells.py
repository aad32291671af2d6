"""Cells of the matrix: what each answered sign, trip and observation carries alone for a mode."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

from forensics.hypotheses.answers import STALE, Answered, absent_part, outcome_of, part_for
from forensics.hypotheses.combine import Combined
from forensics.hypotheses.evidence import Cell
from forensics.hypotheses.inspection_evidence import Remark
from forensics.hypotheses.modes import TRIP_NAMED, FailureMode, Sign
from forensics.hypotheses.scale import Scale
from forensics.model.vocabulary import Outcome


def cells_of(
    rule: FailureMode, signs: Iterable[Sign], told: Mapping[str, Answered], effect: str, scale: Scale
) -> list[Cell]:
    """One cell a finding of each sign that was answered as the sign asks, with the decibans that it carries alone."""
    cells = []
    for sign in signs:
        if outcome_of(told, sign.check).value != sign.outcome:
            continue
        answer = told[sign.check]
        least = absent_part(answer, rule.id, scale) if answer.outcome is Outcome.ABSENT else None
        for finding in answer.findings:
            part = part_for(finding, rule.id, scale) if least is None else least
            full = scale.points(sign.weight) * part
            cells.append(
                Cell(
                    mode=rule.id,
                    finding=finding.id,
                    check=sign.check,
                    outcome=answer.outcome,
                    effect=effect,
                    weight=sign.weight,
                    points=full,
                    counted=True,
                    basis=sign.basis,
                    full=full,
                    part=part,
                    group=sign.group,
                )
            )
    return cells


def missed_signs(rule: FailureMode, told: Mapping[str, Answered], all_for: Combined, scale: Scale) -> list[Cell]:
    """Signs that were looked for and not there, where nothing else of the mode was: the heaviest speaks against it.

    A sign that is met often with a mode and seldom without it is evidence both ways. Signs of one mode stand for each
    other, so the absence of one beside another that is present says little, and several absences no more than one.
    What comes late or only with a gross fault is left out, as is what the mode's file weighs against it by itself.
    """
    if any(cell.outcome is Outcome.PRESENT for cell in all_for.cells):
        return []
    late = {check for need in rule.required if need.late for check in need.any_}
    weighed = {sign.check for sign in rule.against if sign.outcome == "absent"}
    return [
        Cell(
            mode=rule.id,
            finding=finding.id,
            check=sign.check,
            outcome=Outcome.ABSENT,
            effect="against",
            weight=sign.weight,
            points=full,
            counted=True,
            basis=f"not there, where it would have been seen: {sign.basis}",
            full=full,
            part=full / scale.points(sign.weight),
            group="signs of its own",
        )
        for sign in rule.for_
        if sign.outcome == "present" and sign.check not in late | weighed
        if outcome_of(told, sign.check) is Outcome.ABSENT and told[sign.check].firm
        for finding in told[sign.check].findings
        if (full := scale.points(sign.weight) * scale.missed_share * absent_part(told[sign.check], rule.id, scale)) > 0
    ]


def tripped_by_it(
    rule: FailureMode, told: Mapping[str, Answered], tripped_on: Collection[str], scale: Scale
) -> list[Cell]:
    """The trip named the very quantity that the mode moves: a weak sign, since a panel may repeat the logged sensor."""
    if set(tripped_on).isdisjoint(rule.moves):
        return []
    return _of_trip(rule, told, scale, ("for", "weak"), "the trip names the quantity that this mode moves")


def tripped_elsewhere(
    rule: FailureMode, told: Mapping[str, Answered], tripped_on: Collection[str], scale: Scale
) -> list[Cell]:
    """The trip named quantities on none of which a run with this mode ends: a moderate sign against it.

    No more than moderate: a protection may act on a second fault, and texts are not always those of the first trip.
    """
    if rule.trips is None or not tripped_on or not set(tripped_on).isdisjoint(rule.trips):
        return []
    basis = "the trip names a quantity on which a run with this mode does not end"
    return _of_trip(rule, told, scale, ("against", "moderate"), basis)


def _of_trip(
    rule: FailureMode, told: Mapping[str, Answered], scale: Scale, side: tuple[str, str], basis: str
) -> list[Cell]:
    """Cells of the finding that the trip named a quantity, on a side with a weight; none where it named nothing."""
    if outcome_of(told, TRIP_NAMED) is not Outcome.PRESENT:
        return []
    effect, weight = side
    points = scale.points(weight)
    return [
        Cell(
            mode=rule.id,
            finding=finding.id,
            check=TRIP_NAMED,
            outcome=Outcome.PRESENT,
            effect=effect,
            weight=weight,
            points=points,
            counted=True,
            basis=basis,
            full=points,
            group="the trip names it",
        )
        for finding in told[TRIP_NAMED].findings
    ]


def backed(cells: list[Cell]) -> list[Cell]:
    """Absences that speak for a mode carry no more together than what of it was seen: elimination is no finding."""
    seen = sum(cell.full for cell in cells if cell.outcome is Outcome.PRESENT)
    gone = sum(cell.full for cell in cells if cell.outcome is Outcome.ABSENT)
    share = 1.0 if gone <= seen else seen / gone
    return [replace(cell, full=cell.full * share) if cell.outcome is Outcome.ABSENT else cell for cell in cells]


def said_by_hand(rule: FailureMode, remarks: Iterable[Remark], scale: Scale, *, supports: bool) -> list[Cell]:
    """What observations and measurements say for a mode, or against it."""
    return [
        Cell(
            mode=rule.id,
            finding=remark.id,
            check=remark.id,
            outcome=Outcome.PRESENT,
            effect="for" if supports else "against",
            weight=remark.weight,
            points=scale.points(remark.weight),
            counted=True,
            basis=remark.basis,
            full=scale.points(remark.weight),
            group=f"{'shown' if remark.firm else 'said'} by hand",
            by_hand=True,
        )
        for remark in remarks
        if remark.supports is supports
    ]


def silent_checks(rule: FailureMode, told: Mapping[str, Answered]) -> list[Cell]:
    """Checks of a mode that could not tell, with the reason."""
    return [
        Cell(
            mode=rule.id,
            finding=finding.id,
            check=check,
            outcome=Outcome.CANNOT_TELL,
            effect="cannot-tell",
            weight="",
            points=0.0,
            counted=False,
            basis=finding.why_not or STALE,
            part=0.0,
        )
        for check in rule.checks
        if check in told and told[check].outcome is Outcome.CANNOT_TELL
        for finding in told[check].findings
    ]
