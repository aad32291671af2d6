"""Next steps: nothing that is answered, nothing that restarts a machine of a confirmed case, evidence kept first."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forensics.demo import DEMO_CASES
from forensics.hypotheses.evidence import NextTest, Weighing
from forensics.investigation import investigate
from forensics.model.vocabulary import Grade
from forensics.report.page_one.next_steps import GET, KEEP, next_steps


@pytest.fixture(scope="module")
def weighing() -> Weighing:
    return investigate(DEMO_CASES["loaded-starts"]).weighing


def graded(weighing: Weighing, grade: Grade | None) -> Weighing:
    mode = weighing.verdict.mode if grade is not None else None
    tests = (
        NextTest("bears on the cause", ("unload-path-failed", "slide-stuck"), "c"),
        NextTest("bears on another", ("supply-disturbance",), "c", changes_evidence=True),
    )
    return replace(weighing, verdict=replace(weighing.verdict, grade=grade, mode=mode), next_tests=tests)


def test_a_confirmed_verdict_asks_for_no_more_tests(weighing: Weighing) -> None:
    whats = [s.what for s in next_steps(graded(weighing, Grade.CONFIRMED))]
    assert whats[0] == KEEP
    assert not {"bears on the cause", "bears on another"} & set(whats)
    assert len(whats) == 2


def test_a_probable_verdict_asks_for_tests_of_its_cause_only(weighing: Weighing) -> None:
    whats = [s.what for s in next_steps(graded(weighing, Grade.PROBABLE))]
    assert "bears on the cause" in whats
    assert "bears on another" not in whats


def test_an_open_case_gets_every_test_and_says_which_change_evidence(weighing: Weighing) -> None:
    steps = {s.what: s for s in next_steps(graded(weighing, None))}
    assert steps["bears on another"].changes_evidence
    assert not steps["bears on the cause"].changes_evidence


def test_a_case_without_any_test_is_told_what_to_get(weighing: Weighing) -> None:
    bare = replace(graded(weighing, None), next_tests=())
    assert [s.what for s in next_steps(bare)] == [KEEP, GET]
