"""What to test next: the inspections and logging changes that split the live modes, non-destructive first."""

from __future__ import annotations

from collections.abc import Mapping

from forensics.hypotheses.evidence import Evidence, NextTest
from forensics.hypotheses.judge import Judgement
from forensics.hypotheses.score import Score
from forensics.model.findings import Finding
from forensics.model.vocabulary import Grade, Mode, Outcome

LIVE = (Grade.CONFIRMED, Grade.PROBABLE, Grade.POSSIBLE)
_LOGGING_CAUTION = "none beyond the site's rules for work at live controls"


def live_modes(judgement: Judgement, tallies: Mapping[str, Score]) -> tuple[str, ...]:
    """Modes that are still alive, the best supported first."""
    alive = [name for name, grade in judgement.grades.items() if grade in LIVE and name != Mode.NONE]
    order = {name: -tallies[name].net for name in alive}
    cause = judgement.cause
    return tuple(sorted(alive, key=lambda name: (name != cause, order[name], name)))


def next_tests(judgement: Judgement, tallies: Mapping[str, Score], evidence: Evidence) -> tuple[NextTest, ...]:
    """Tests that split the live modes from each other and from their look-alikes; none is given twice."""
    alive = live_modes(judgement, tallies)
    found: list[NextTest] = []
    for name in alive:
        rule = evidence.modes[name]
        for look in rule.look_alikes:
            other = judgement.grades.get(look.mode)
            if other in LIVE or other is Grade.NOT_OBSERVABLE:
                caution = look.caution or rule.caution
                found.append(NextTest(look.test, (name, look.mode), caution, look.non_destructive))
        found += [NextTest(i.test, (name,), i.caution, i.non_destructive) for i in rule.inspections]
    found += _logging(alive, tallies, evidence)
    by_test: dict[str, NextTest] = {}
    for test in found:
        old = by_test.get(test.test)
        splits = test.splits if old is None else tuple(dict.fromkeys((*old.splits, *test.splits)))
        first = old or test
        by_test[test.test] = NextTest(test.test, splits, first.caution, first.non_destructive)
    return tuple(sorted(by_test.values(), key=lambda test: _rank(test, alive)))


def _rank(test: NextTest, alive: tuple[str, ...]) -> tuple[bool, int, int, str]:
    """Non-destructive first, then those that split most live modes, then those of the best supported mode."""
    hit = [alive.index(mode) for mode in test.splits if mode in alive]
    return (not test.non_destructive, -len(hit), min(hit, default=len(alive)), test.test)


def _logging(alive: tuple[str, ...], tallies: Mapping[str, Score], evidence: Evidence) -> list[NextTest]:
    """Changes of the logging that would let a silent finding of a live mode answer."""
    by_check: dict[str, list[Finding]] = {}
    for finding in evidence.findings:
        by_check.setdefault(finding.check, []).append(finding)
    tests = []
    for name in alive:
        heavy = {s.check for s in evidence.modes[name].for_ if s.weight in ("decisive", "strong")}
        for check in tallies[name].unseen:
            for finding in by_check.get(check, ()):
                if check in heavy and finding.outcome is Outcome.CANNOT_TELL and finding.unlocked_by:
                    tests.append(
                        NextTest(f"Logging: {finding.unlocked_by}", (name,), _LOGGING_CAUTION, non_destructive=True)
                    )
    return tests


def next_test_of(name: str, judgement: Judgement, tallies: Mapping[str, Score], evidence: Evidence) -> str:
    """The one test of a mode that would tell most: a split from a live look-alike, else its first inspection."""
    rule = evidence.modes[name]
    for look in rule.look_alikes:
        if judgement.grades.get(look.mode) in LIVE:
            return look.test
    if rule.inspections:
        return rule.inspections[0].test
    tests = _logging((name,), tallies, evidence)
    return tests[0].test if tests else ""
