"""Weighing: from findings to graded modes, a verdict, its chain, its robustness and the next tests."""

from __future__ import annotations

from dataclasses import replace

from forensics.hypotheses.chain import build_chain
from forensics.hypotheses.evidence import (
    Cell,
    Evidence,
    Hypothesis,
    Observability,
    Robustness,
    Unlisted,
    Weighing,
)
from forensics.hypotheses.judge import Judgement
from forensics.hypotheses.modes import FailureMode
from forensics.hypotheses.next_tests import live_modes, next_test_of, next_tests
from forensics.hypotheses.rivals import unlisted_points
from forensics.hypotheses.scale import Scale, points_of
from forensics.hypotheses.sensitivity import robustness
from forensics.hypotheses.sound import not_seen
from forensics.hypotheses.teardown import teardown
from forensics.hypotheses.weigher import Judged, Weigher
from forensics.hypotheses.wording import verdict_of
from forensics.model.vocabulary import Grade, Mode, Outcome, VerdictStatus


def weigh(evidence: Evidence) -> Weighing:
    """Weigh the causes of one case.

    Parameters
    ----------
    evidence
        Findings with what they stand on. Neither their order nor that of the modes matters.

    Returns
    -------
    Weighing
        All modes graded, the verdict, what could be seen, and how far the verdict holds.

    Raises
    ------
    InputError
        A measurement of the case is in a unit that its rule does not know.

    Notes
    -----
    Points are decibans (Good 1950); the test for *probable* is that of fire-investigation practice: likelier than all
    others together. A verdict that becomes another one when a limit, a sensor or a source is changed is graded down.
    """
    weigher = Weigher(evidence)
    judged = weigher.judge(evidence.findings)
    rows: tuple[Robustness, ...] = ()
    if judged.judgement.status is not VerdictStatus.UNDETERMINED:
        rows = robustness(judged.judgement, _rests_on(judged, evidence), weigher)
    flips = tuple(row.changed for row in rows if row.effect == "changed")
    if flips:
        judged = replace(judged, judgement=_graded_down(judged.judgement, flips))
    return _weighing(weigher, judged, rows)


def _graded_down(judgement: Judgement, flips: tuple[str, ...]) -> Judgement:
    grades = {
        name: Grade.POSSIBLE if grade in (Grade.PROBABLE, Grade.CONFIRMED) and name != Mode.NONE else grade
        for name, grade in judgement.grades.items()
    }
    grades[str(Mode.NONE)] = Grade.NOT_OBSERVABLE
    capped = {**judgement.capped}
    if judgement.cause is not None:
        capped[judgement.cause] = (*capped.get(judgement.cause, ()), *(f"flips with: {one}" for one in flips))
    reasons = {**judgement.reasons, str(Mode.NONE): "the verdict does not hold when what it rests on is changed"}
    return Judgement(VerdictStatus.UNDETERMINED, None, grades, (), capped, reasons)


def _rests_on(judged: Judged, evidence: Evidence) -> tuple[str, ...]:
    """Findings that decided: those of the cause, or those that a sound machine was cleared by."""
    cause = judged.judgement.cause
    if cause is not None:
        cells = judged.tallies[cause].cells
        return tuple(dict.fromkeys(c.finding for c in cells if c.counted and c.finding in judged.findings))
    needed = {
        check for rule in evidence.modes.causes if rule.needed_to_clear for need in rule.required for check in need.any_
    }
    return tuple(sorted(f.id for f in judged.findings.values() if f.check in needed))


def _weighing(weigher: Weigher, judged: Judged, rows: tuple[Robustness, ...]) -> Weighing:
    evidence, judgement, tallies = weigher.evidence, judged.judgement, judged.tallies
    hypotheses = tuple(_hypothesis(rule.id, judged, evidence) for rule in evidence.modes.causes)
    hypotheses += (_sound(judged, evidence),)
    present = {
        name: tuple(c.finding for c in one.cells if c.effect == "for" and c.finding in judged.findings)
        for name, one in tallies.items()
    }
    proven = tuple(n for n in live_modes(judgement, tallies) if judgement.grades[n] is not Grade.POSSIBLE)
    matrix = tuple(cell for name in sorted(tallies) for cell in tallies[name].cells)
    chain = build_chain(judgement, tallies, judged.findings, evidence)
    return Weighing(
        hypotheses=hypotheses,
        verdict=verdict_of(judgement, tallies, judged.findings, evidence, chain, rows),
        observability=_observability(evidence, judged),
        robustness=rows,
        next_tests=next_tests(judgement, tallies, evidence),
        teardown=teardown(evidence, weigher.remarks, present, proven),
        matrix=matrix,
        tests_run=len({finding.check for finding in evidence.findings}),
        unlisted=_unlisted(judged, weigher.scale),
        strength=_strength(matrix),
    )


def _sound(judged: Judged, evidence: Evidence) -> Hypothesis:
    """The row of ``none``; where nothing was found, with the smallest effects that would have been."""
    none, judgement = str(Mode.NONE), judged.judgement
    reason = judgement.reasons[none]
    if judgement.status is VerdictStatus.NO_FAULT_FOUND:
        cleared = {name: one for name, one in sorted(judged.tallies.items()) if one.cleared_by}
        said = [f"{name}: {one.cleared_by[0]}" for name, one in cleared.items()]
        reason += f"; would have been seen: {'; '.join(said)}"
        if unseen := not_seen(judged.tallies):
            reason += f"; not seen: {', '.join(unseen)}"
    plain = evidence.modes[none].plain if none in evidence.modes.by_id else ""
    return Hypothesis(
        mode=none,
        grade=judgement.grades[none],
        for_=(),
        against=(),
        cannot_tell=(),
        next_test="",
        reason=reason,
        plain=plain,
    )


def _unlisted(judged: Judged, scale: Scale) -> Unlisted:
    """A cause that is not in the list, held against the best supported mode."""
    live = [one for one in judged.tallies.values() if not one.excluded_by]
    best = max(live, key=lambda one: (one.net, one.mode), default=None)
    decibans = points_of(scale.unlisted_prior) if best is None else unlisted_points(best, scale)
    reason = (
        f"a cause that is not in the list may explain any single effect with {scale.unlisted_share:.0%} of its weight, "
        f"and is held {scale.unlisted_prior:g} times as likely as one named mode before the data"
    )
    return Unlisted(round(decibans, 3), reason)


def _strength(matrix: tuple[Cell, ...]) -> dict[str, float]:
    found: dict[str, float] = {}
    for cell in matrix:
        if cell.effect == "for":
            found[cell.finding] = max(found.get(cell.finding, 0.0), cell.full)
        elif cell.effect == "against":
            found.setdefault(cell.finding, 0.0)
    return {finding: round(points, 3) for finding, points in found.items()}


def _hypothesis(name: str, judged: Judged, evidence: Evidence) -> Hypothesis:
    one, judgement = judged.tallies[name], judged.judgement

    def ids(effect: str) -> tuple[str, ...]:
        return tuple(dict.fromkeys(cell.finding for cell in one.cells if cell.effect == effect))

    return Hypothesis(
        mode=name,
        grade=judgement.grades[name],
        for_=ids("for"),
        against=ids("against"),
        cannot_tell=ids("cannot-tell"),
        next_test=next_test_of(name, judgement, judged.tallies, evidence),
        reason=judgement.reasons[name],
        capped_by=judgement.capped.get(name, ()),
        decibans=round(one.net, 3),
        plain=evidence.modes[name].plain,
    )


def _observability(evidence: Evidence, judged: Judged) -> tuple[Observability, ...]:
    silent = {f.check: f for f in judged.findings.values() if f.outcome is Outcome.CANNOT_TELL}
    rows = []
    for rule in evidence.modes.causes:
        one = judged.tallies[rule.id]
        if rule.id in evidence.impossible:
            rows.append(Observability(rule.id, "no", f"does not apply: {evidence.impossible[rule.id]}", ""))
            continue
        needed = [check for need in rule.required for check in need.any_]
        blind = [check for check in needed if check in one.unseen]
        why = "; ".join(dict.fromkeys(silent[c].why_not for c in blind if c in silent and silent[c].why_not))
        unlock = next((silent[c].unlocked_by for c in blind if c in silent and silent[c].unlocked_by), "")
        unlock = unlock or ("" if one.observable == "yes" else _wanting(rule, evidence))
        if one.observable == "yes":
            why = why or "all that it can't do without could be seen"
        rows.append(
            Observability(rule.id, one.observable, why or rule.not_yet_seen or "no finding of it was answered", unlock)
        )
    return tuple(rows)


def _wanting(rule: FailureMode, evidence: Evidence) -> str:
    """Points that the mode's file asks for and the case lacks, or samples too slowly."""
    wanted = []
    for need in rule.needs:
        slow = need.longest_interval_s
        have = [evidence.points[role][0] for role in need.roles if role in evidence.points]
        if not any(slow is None or interval_s <= slow for interval_s in have):
            rate = "" if slow is None else f" every {slow:g} s or faster"
            wanted.append(f"{need.roles[0].value}{rate}")
    return f"log {', '.join(wanted)}" if wanted else ""
