"""Next steps: nothing that is answered, nothing that restarts a machine of a confirmed case, evidence kept first."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forensics.demo import DEMO_CASES
from forensics.hypotheses.evidence import NextTest, Weighing
from forensics.hypotheses.modes import read_modes
from forensics.investigation import investigate
from forensics.model.vocabulary import Grade
from forensics.report.page_one.next_steps import DESK, GET, KEEP, next_steps
from forensics.rules import read_checks

MODES = read_modes(read_checks()).by_id
ABOUT = MODES["unload-path-failed"].inspections[0].test
OTHER = MODES["supply-disturbance"].inspections[0].test
READ = next(t.test for t in MODES["unload-path-failed"].look_alikes if t.caution == DESK)


@pytest.fixture(scope="module")
def weighing() -> Weighing:
    return investigate(DEMO_CASES["loaded-starts"]).weighing


def graded(weighing: Weighing, grade: Grade | None) -> Weighing:
    mode = weighing.verdict.mode if grade is not None else None
    tests = (
        NextTest(ABOUT, ("unload-path-failed", "slide-stuck"), "c"),
        NextTest(OTHER, ("supply-disturbance",), "c", changes_evidence=True),
        NextTest(READ, ("unload-path-failed", "trapped-loaded"), DESK),
        NextTest("Logging: log slide_position every 2 s or faster", ("unload-path-failed",), "c"),
    )
    return replace(weighing, verdict=replace(weighing.verdict, grade=grade, mode=mode), next_tests=tests)


def test_a_confirmed_verdict_asks_for_no_more_tests(weighing: Weighing) -> None:
    whats = [s.what for s in next_steps(graded(weighing, Grade.CONFIRMED))]
    assert whats[0] == KEEP
    assert not {ABOUT, OTHER} & set(whats)
    assert len(whats) == 2


def test_a_probable_verdict_asks_for_tests_of_its_cause_only(weighing: Weighing) -> None:
    whats = [s.what for s in next_steps(graded(weighing, Grade.PROBABLE))]
    assert ABOUT in whats
    assert OTHER not in whats


def test_an_open_case_gets_every_test_and_says_which_change_evidence(weighing: Weighing) -> None:
    steps = {s.what: s for s in next_steps(graded(weighing, None))}
    assert steps[OTHER].changes_evidence
    assert not steps[ABOUT].changes_evidence


def test_a_case_without_any_test_is_told_what_to_get(weighing: Weighing) -> None:
    bare = replace(graded(weighing, None), next_tests=())
    assert [s.what for s in next_steps(bare)] == [KEEP, GET]


def test_what_the_record_told_already_is_no_step_and_no_logging_changes_the_past(weighing: Weighing) -> None:
    whats = [s.what for s in next_steps(graded(weighing, None))]
    assert whats == [KEEP, ABOUT, OTHER]


def test_every_reading_of_the_record_is_named_as_one_in_the_rules() -> None:
    """A test whose caution is none at all is a reading of the record, in these words."""
    tests = [t for rule in MODES.values() for t in (*rule.look_alikes, *rule.inspections)]
    none = [t for t in tests if t.caution.startswith("None")]
    assert none
    assert {t.caution for t in none} == {DESK}
    assert not [t.test for t in none if t.running or t.opens or t.changes_evidence]
