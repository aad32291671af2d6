"""Weighing: from findings to graded modes, a verdict, its chain, its robustness and the next tests."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from forensics.hypotheses.chain import build_chain, earlier_pairs
from forensics.hypotheses.evidence import Evidence, Hypothesis, Observability, Robustness, Weighing
from forensics.hypotheses.inspection_evidence import Remark, remarks_of, teardown
from forensics.hypotheses.judge import Circumstances, Judgement, judge
from forensics.hypotheses.modes import FailureMode, Scale, read_scale
from forensics.hypotheses.next_tests import live_modes, next_test_of, next_tests
from forensics.hypotheses.score import Answered, Score, answers, tally
from forensics.hypotheses.sensitivity import robustness
from forensics.hypotheses.wording import verdict_of
from forensics.model.findings import Finding, Stop
from forensics.model.points import NS
from forensics.model.record import LogLine
from forensics.model.vocabulary import Grade, Mode, Outcome, StopKind, VerdictStatus


@dataclass(frozen=True, slots=True)
class _Judged:
    tallies: Mapping[str, Score]
    judgement: Judgement
    findings: Mapping[str, Finding]


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
    others together. A verdict that flips when a limit, a sensor or a source is changed is graded down.
    """
    scale = read_scale()
    remarks = remarks_of(evidence, scale)
    judged = _judge(evidence.findings, evidence, remarks, scale)
    rests_on = _rests_on(judged)
    rows: tuple[Robustness, ...] = ()
    if judged.judgement.status is not VerdictStatus.UNDETERMINED:
        rows = robustness(
            judged.judgement,
            rests_on,
            evidence,
            scale,
            lambda findings: _judge(findings, evidence, remarks, scale).judgement,
        )
    flips = tuple(row.changed for row in rows if row.flips)
    if flips:
        judged = replace(judged, judgement=_graded_down(judged.judgement, flips))
    return _weighing(evidence, judged, remarks, rows)


def _judge(findings: tuple[Finding, ...], evidence: Evidence, remarks: tuple[Remark, ...], scale: Scale) -> _Judged:
    told = answers(findings, polarity_confirmed=evidence.polarity_confirmed)
    tallies = {rule.id: _tally(rule, told, remarks, scale, evidence) for rule in evidence.modes.causes}
    by_id = {finding.id: finding for finding in findings}
    around = Circumstances(_called(evidence, scale), earlier_pairs(tallies, by_id, evidence))
    return _Judged(tallies, judge(tallies, evidence.modes, scale, around), by_id)


def _tally(
    rule: FailureMode,
    told: Mapping[str, Answered],
    remarks: tuple[Remark, ...],
    scale: Scale,
    evidence: Evidence,
) -> Score:
    """The account of a mode on this build: a mode that it can't have is excluded, whatever the data."""
    voided = evidence.voided.get(rule.id, frozenset())
    counted = {check: answer for check, answer in told.items() if check not in voided}
    one = tally(rule, counted, remarks, scale)
    why = evidence.impossible.get(rule.id)
    return one if why is None else replace(one, excluded_by=f"this build can't have it: {why}", observable="no")


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


def _rests_on(judged: _Judged) -> tuple[str, ...]:
    cause = judged.judgement.cause
    if cause is None:
        return tuple(sorted(judged.findings))
    counted = [
        c for c in judged.tallies[cause].cells if c.effect in ("for", "against") and c.finding in judged.findings
    ]
    return tuple(dict.fromkeys(cell.finding for cell in counted))


def _weighing(
    evidence: Evidence, judged: _Judged, remarks: tuple[Remark, ...], rows: tuple[Robustness, ...]
) -> Weighing:
    judgement, tallies = judged.judgement, judged.tallies
    hypotheses = tuple(_hypothesis(rule.id, judged, evidence) for rule in evidence.modes.causes)
    none = str(Mode.NONE)
    hypotheses += (Hypothesis(none, judgement.grades[none], (), (), (), "", judgement.reasons[none]),)
    tests = next_tests(judgement, tallies, evidence)
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
        next_tests=tests,
        teardown=teardown(evidence, remarks, present, proven),
        matrix=tuple(replace(cell, basis=cell.basis.partition("|")[2] or cell.basis) for cell in matrix),
        tests_run=len({finding.check for finding in evidence.findings}),
    )


def _hypothesis(name: str, judged: _Judged, evidence: Evidence) -> Hypothesis:
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
        points=round(one.net, 3),
    )


def _observability(evidence: Evidence, judged: _Judged) -> tuple[Observability, ...]:
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
        rows.append(Observability(rule.id, one.observable, why or "no finding of it was answered", unlock))
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
