"""What the findings come to for each mode: points for and against, what is firm, what excludes, what could be seen.

Points are ten times the decimal logarithm of a likelihood ratio, so independent evidence adds (Good, I. J., Probability
and the Weighing of Evidence, 1950: the deciban). Each finding carries its part by amount (:mod:`strength`), and what is
not independent adds falling shares (:mod:`combine`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from forensics.hypotheses.answers import (
    Answered,
    absent_part,
    fresh,
    likely_beyond,
    outcome_of,
    smallest_seen,
    straddles,
)
from forensics.hypotheses.cells import (
    backed,
    cells_of,
    missed_signs,
    said_by_hand,
    silent_checks,
    tripped_by_it,
    tripped_elsewhere,
)
from forensics.hypotheses.combine import Combined, Rows, combine, rows_by_column
from forensics.hypotheses.evidence import Cell
from forensics.hypotheses.inspection_evidence import Remark
from forensics.hypotheses.modes import FailureMode, Required
from forensics.hypotheses.scale import Scale
from forensics.model.vocabulary import Outcome

STRONG = ("decisive", "strong")


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
    effects
        Checks, one of each effect that is firm and seen apart from the others.
    effects_in_all
        How many effects are seen apart, firm or not.
    heaviest
        Points of the heaviest firm effect that was seen.
    has_strong
        Whether a strong or decisive finding is firm, clear of its limit, and carries enough of its decibans; or what
        was seen in the data is borne out by hand, which makes one sample or an unchecked polarity firm too.
    strong_against
        Finding ids of strong or decisive evidence against it that is clear of its limit.
    excluded_by
        In words, the required effect that was observable and absent; empty where there is none.
    observable
        ``yes``, ``partly`` or ``no``.
    all_absent
        Whether every sign that it shows at least one of was observable and absent, whether that excludes it or not.
    cleared_by
        In words, effects it can't do without that were firm, absent, and small enough to have been seen.
    leans
        Whether a strong sign is likely, not surely, beyond its limit: no proof, but no sound machine.
    """

    mode: str
    cells: tuple[Cell, ...]
    for_points: float
    firm_points: float
    against_points: float
    own_present: Mapping[str, float]
    seen_points: float
    effects: tuple[str, ...]
    effects_in_all: int
    heaviest: float
    has_strong: bool
    strong_against: tuple[str, ...]
    excluded_by: str
    observable: str
    all_absent: bool
    cleared_by: tuple[str, ...]
    unseen: tuple[str, ...]
    not_firm_because: tuple[str, ...]
    shown_by: tuple[str, ...]
    not_shown_because: tuple[str, ...] = ()
    leans: bool = False

    @property
    def cleared(self) -> bool:
        """Whether nothing of it was there at a size that is worth the name, or the machine can't have it."""
        return bool(self.cleared_by or self.excluded_by)

    @property
    def net(self) -> float:
        """Points for less points against, of all evidence."""
        return self.for_points - self.against_points

    @property
    def firm_net(self) -> float:
        """Points for that are firm, less all points against."""
        return self.firm_points - self.against_points


def tally(
    rule: FailureMode,
    told: Mapping[str, Answered],
    remarks: Sequence[Remark],
    scale: Scale,
    tripped_on: Collection[str] = (),
) -> Score:
    """Account for one mode.

    Parameters
    ----------
    told
        The answers by check; a check without an answer cannot tell.
    remarks
        Observations and measurements of the case; those on other modes are passed over.
    tripped_on
        Quantities that the texts of the trip name; empty where none does.
    """
    told = fresh(rule, told)
    mine = [remark for remark in remarks if remark.mode == rule.id]
    cited = _cited(rule, told)
    said_for, said_against = (said_by_hand(rule, mine, scale, supports=side) for side in (True, False))
    named = tripped_by_it(rule, told, tripped_on, scale)
    all_for = combine(backed([*cells_of(rule, rule.for_, told, "for", scale), *named, *said_for]), cited, scale)
    missed = [*missed_signs(rule, told, all_for, scale), *tripped_elsewhere(rule, told, tripped_on, scale)]
    against = combine([*cells_of(rule, rule.against, told, "against", scale), *missed, *said_against], cited, scale)
    sure = {check for check, answer in told.items() if answer.firm}
    sure |= {remark.id for remark in mine if remark.firm}
    borne_out = any(remark.firm and remark.supports and remark.weight in STRONG for remark in mine)
    if borne_out:
        sure |= set(told)
    firm = combine(backed([cell for cell in all_for.cells if cell.check in sure]), cited, scale)
    # a strong sign stays one beside a heavier sign of the same effect
    shown = [cell for cell in firm.cells if cell.outcome is Outcome.PRESENT and not cell.by_hand]
    seen = [cell for cell in shown if cell.counted]
    return Score(
        mode=rule.id,
        cells=(*all_for.cells, *against.cells, *silent_checks(rule, told)),
        for_points=all_for.points,
        firm_points=firm.points,
        against_points=against.points,
        own_present={cell.check: cell.points for cell in seen},
        seen_points=sum(c.points for c in all_for.cells if c.counted and c.outcome is Outcome.PRESENT),
        effects=_effects(firm, scale),
        effects_in_all=len(_effects(all_for, scale)),
        heaviest=max((cell.full for cell in seen), default=0.0),
        has_strong=(borne_out and bool(seen)) or any(_clear_strong(cell, told, scale) for cell in shown),
        strong_against=tuple(
            c.finding for c in against.cells if _clear_strong(c, told, scale) and (c.by_hand or c.check in sure)
        ),
        excluded_by=_excluded(rule, told, mine, all_for, scale),
        observable=_observable(rule, told, scale),
        all_absent=any(_all_missing(rule, need, told, scale, scale.seen_part_min) for need in rule.required),
        cleared_by=_cleared_by(rule, told, scale),
        unseen=tuple(check for check in rule.checks if outcome_of(told, check) is Outcome.CANNOT_TELL),
        not_firm_because=tuple(
            dict.fromkeys(told[c.check].weak_because for c in all_for.cells if c.check in told and c.check not in sure)
        ),
        shown_by=tuple(remark.id for remark in mine if remark.shows_cause),
        not_shown_because=tuple(dict.fromkeys(remark.not_shown for remark in mine if remark.not_shown)),
        leans=_leans(rule, told, scale),
    )


def _effects(combined: Combined, scale: Scale) -> tuple[str, ...]:
    """Checks, one of each effect that carries at least half of what a weak sign stands for."""
    return tuple(sorted({cell.check for cell in combined.heads if cell.full >= scale.points("weak") / 2.0}))


def _cited(rule: FailureMode, told: Mapping[str, Answered]) -> dict[str, Rows]:
    """Rows by source and column of every finding that the mode reads."""
    return {
        finding.id: rows_by_column(finding)
        for check in rule.checks
        if check in told
        for finding in told[check].findings
    }


def _clear_strong(cell: Cell, told: Mapping[str, Answered], scale: Scale) -> bool:
    """Whether a cell is strong by its word, carries enough of it, and its interval does not hold the limit."""
    if cell.weight not in STRONG or cell.part < scale.strong_part_min:
        return False
    return cell.by_hand or not any(straddles(f) for f in told[cell.check].findings if f.id == cell.finding)


def _leans(rule: FailureMode, told: Mapping[str, Answered], scale: Scale) -> bool:
    """Whether a strong sign could not be told because its interval holds the limit, and likely lies beyond it."""
    return any(
        likely_beyond(finding, scale) >= scale.lean_chance_min
        for sign in rule.for_
        if sign.outcome == "present" and sign.weight in STRONG
        if sign.check in told and told[sign.check].outcome is Outcome.CANNOT_TELL
        for finding in told[sign.check].findings
    )


def _missing(rule: FailureMode, told: Mapping[str, Answered], check: str, scale: Scale) -> float:
    """Part that the absence of a check carries; 0 where it was not absent, or is not firm."""
    if outcome_of(told, check) is not Outcome.ABSENT or not told[check].firm:
        return 0.0
    return absent_part(told[check], rule.id, scale)


def _all_missing(rule: FailureMode, need: Required, told: Mapping[str, Answered], scale: Scale, least: float) -> bool:
    return all(_missing(rule, told, check, scale) >= least for check in need.any_)


def _excluded(
    rule: FailureMode, told: Mapping[str, Answered], remarks: list[Remark], all_for: Combined, scale: Scale
) -> str:
    """The required effect that would have been seen and was absent, in words; never against something strong for it."""
    if any(remark.supports and remark.firm for remark in remarks):
        return ""
    if any(cell.weight in STRONG and cell.outcome is Outcome.PRESENT for cell in all_for.cells):
        return ""
    for need in rule.required:
        if need.late:
            continue
        if _all_missing(rule, need, told, scale, scale.exclude_part_min):
            bounds = [bound for check in need.any_ for f in told[check].findings if (bound := smallest_seen(f))]
            seen = f"; would have been seen: {', '.join(dict.fromkeys(bounds))}" if bounds else ""
            return f"{' and '.join(need.any_)}: observable and absent ({need.basis}{seen})"
    return ""


def _observable(rule: FailureMode, told: Mapping[str, Answered], scale: Scale) -> str:
    """Whether the effects that the mode can't do without could be seen, at the size of their limits."""
    if not rule.required:
        return "no" if rule.not_yet_seen else "partly"
    seen = [
        [
            outcome_of(told, check) is Outcome.PRESENT or _missing(rule, told, check, scale) >= scale.seen_part_min
            for check in need.any_
        ]
        for need in rule.required
    ]
    if all(any(need) for need in seen) and any(all(need) for need in seen):
        return "yes"
    answered = any(outcome_of(told, c) is not Outcome.CANNOT_TELL for need in rule.required for c in need.any_)
    return "partly" if answered else "no"


def _cleared_by(rule: FailureMode, told: Mapping[str, Answered], scale: Scale) -> tuple[str, ...]:
    """What was not there at a size that is worth the name, with the smallest that would have been seen."""
    checks = [check for need in rule.required for check in need.any_]
    seen = [check for check in checks if _missing(rule, told, check, scale) >= scale.clear_part_min]
    return tuple(dict.fromkeys(f"{check} {smallest_seen(told[check].findings[0])}".strip() for check in seen))
