"""What to test next: what splits the live modes, harmless things first, and nothing that a start would make worse.

A running test is proposed only where no live mode is harmed by running, nothing is confirmed, and the case says that
the memory of controller and recorders was saved (fact ``recorder_memory_saved``): a start overwrites it and moves the
slide. What an observation of the same part already answered is not proposed again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from forensics.hypotheses.evidence import Evidence, NextTest
from forensics.hypotheses.inspection_evidence import BY_HAND
from forensics.hypotheses.judge import Judgement
from forensics.hypotheses.modes import Test
from forensics.hypotheses.score import Score
from forensics.model.findings import Finding
from forensics.model.vocabulary import Grade, Mode, Outcome

LIVE = (Grade.CONFIRMED, Grade.PROBABLE, Grade.POSSIBLE)
MEMORY_SAVED = "recorder_memory_saved"
_LOGGING_CAUTION = "none beyond the site's rules for work at live controls"
_SAVE = "Save the memory of controller, motor protection and recorders before anything is switched on"
_SAVE_CAUTION = "A start overwrites it; nothing is opened for it beyond the site's rules for work at live controls"


def live_modes(judgement: Judgement, tallies: Mapping[str, Score]) -> tuple[str, ...]:
    """Modes that are still alive, the best supported first."""
    alive = [name for name, grade in judgement.grades.items() if grade in LIVE and name != Mode.NONE]
    order = {name: -tallies[name].net for name in alive}
    cause = judgement.cause
    return tuple(sorted(alive, key=lambda name: (name != cause, order[name], name)))


def next_tests(judgement: Judgement, tallies: Mapping[str, Score], evidence: Evidence) -> tuple[NextTest, ...]:
    """Tests that split the live modes from each other and from their look-alikes; none is given twice."""
    alive = live_modes(judgement, tallies)
    found = [test for name in alive for test in _splitting(name, judgement, evidence)]
    found += [test for name in alive for test in _showing(name, judgement, evidence)]
    allowed = [test for test in found if not test.running or may_run(judgement, evidence)]
    if len(allowed) < len(found) and not _memory_saved(evidence):
        splits = tuple(dict.fromkeys(mode for test in found if test.running for mode in test.splits if mode in alive))
        allowed.append(NextTest(_SAVE, splits, _SAVE_CAUTION))
    allowed += _logging(alive, tallies, evidence)
    by_test: dict[str, NextTest] = {}
    for test in allowed:
        old = by_test.get(test.test)
        by_test[test.test] = test if old is None else _joined(old, test)
    return tuple(sorted(by_test.values(), key=lambda test: _rank(test, alive)))


def may_run(judgement: Judgement, evidence: Evidence) -> bool:
    """Whether the machine may be run for a test, as far as this case can say: local rules and people decide."""
    harmed = any(
        evidence.modes[name].running_harms
        for name, grade in judgement.grades.items()
        if grade in LIVE and name != Mode.NONE
    )
    return not harmed and Grade.CONFIRMED not in judgement.grades.values() and _memory_saved(evidence)


def _memory_saved(evidence: Evidence) -> bool:
    return any(fact.what == MEMORY_SAVED and fact.value is True for fact in evidence.facts)


def _splitting(name: str, judgement: Judgement, evidence: Evidence) -> list[NextTest]:
    """Tests that part a live mode from look-alikes that are not excluded."""
    return [
        _proposed(look, (name, look.mode))
        for look in evidence.modes[name].look_alikes
        if judgement.grades.get(look.mode) in LIVE or judgement.grades.get(look.mode) is Grade.NOT_OBSERVABLE
        if not _answered(look, (name, look.mode), evidence)
    ]


def _showing(name: str, judgement: Judgement, evidence: Evidence) -> list[NextTest]:
    """Inspections that would show the cause itself; none where it was shown."""
    if judgement.grades.get(name) is Grade.CONFIRMED:
        return []
    return [
        _proposed(test, (name,)) for test in evidence.modes[name].inspections if not _answered(test, (name,), evidence)
    ]


def _proposed(test: Test, splits: tuple[str, ...]) -> NextTest:
    return NextTest(
        test.test,
        splits,
        test.caution,
        running=test.running,
        opens=test.opens,
        changes_evidence=test.changes_evidence,
        needs_notice=test.needs_notice,
    )


def _answered(test: Test, modes: Iterable[str], evidence: Evidence) -> bool:
    """Whether an inspection or test of the same part that bears on the mode was made."""
    return bool(test.part) and any(
        seen.kind in BY_HAND
        and seen.part.casefold() == test.part.casefold()
        and not set(modes).isdisjoint(str(mode) for mode in seen.bears_on)
        for seen in evidence.observations
    )


def _joined(old: NextTest, new: NextTest) -> NextTest:
    return NextTest(
        old.test,
        tuple(dict.fromkeys((*old.splits, *new.splits))),
        old.caution if new.caution in old.caution else f"{old.caution}; {new.caution}",
        running=old.running or new.running,
        opens=old.opens or new.opens,
        changes_evidence=old.changes_evidence or new.changes_evidence,
        needs_notice=old.needs_notice or new.needs_notice,
    )


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
                    tests.append(NextTest(f"Logging: {finding.unlocked_by}", (name,), _LOGGING_CAUTION))
    return tests


def next_test_of(name: str, judgement: Judgement, tallies: Mapping[str, Score], evidence: Evidence) -> str:
    """The one test of a mode that would tell most: a split from a live look-alike, else its first inspection."""
    live = [look for look in evidence.modes[name].look_alikes if judgement.grades.get(look.mode) in LIVE]
    tests: list[Test] = [*live, *evidence.modes[name].inspections]
    if judgement.grades.get(name) is not Grade.CONFIRMED:
        for test in tests:
            runs = test.running and not may_run(judgement, evidence)
            if not runs and not _answered(test, (name,), evidence):
                return test.test
    logging = _logging((name,), tallies, evidence)
    return logging[0].test if logging else ""
