"""What was judged is kept, goes on where it stopped, and comes out the same however it was run."""

from __future__ import annotations

import json
from collections.abc import Generator, Sequence
from pathlib import Path
from typing import Any

import pytest

from forensics.errors import InputError
from forensics.study import run
from forensics.study.judged import judge_machine
from forensics.study.plan import Machine, plan
from forensics.study.run import StudyPlan, read_answers, run_study


def stand_in(machine: Machine) -> dict[str, Any]:
    """An answer that costs nothing."""
    return {"machine": {"number": machine.number}, "cases": []}


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Numbers of the machines that were judged, in order; none of them really is."""
    seen: list[int] = []

    def answers(wanted: StudyPlan, todo: Sequence[Machine]) -> Generator[dict[str, Any], None, None]:
        for machine in todo:
            seen.append(machine.number)
            yield stand_in(machine)

    monkeypatch.setattr(run, "_answers", answers)
    return seen


def untimed(answers: list[dict[str, Any]]) -> list[dict[str, Any]]:
    for answer in answers:
        for case in answer["cases"]:
            assert case.pop("spent_s") > 0.0
    return answers


def test_the_same_machines_give_the_same_answers_in_one_process_and_in_several(tmp_path: Path) -> None:
    one = run_study(StudyPlan(6, tmp_path / "one", seed=11))
    two = run_study(StudyPlan(6, tmp_path / "two", seed=11, workers=2))
    assert untimed(read_answers(one)[1]) == untimed(read_answers(two)[1])


def test_what_is_there_is_not_judged_again(judged: list[int], tmp_path: Path) -> None:
    run_study(StudyPlan(9, tmp_path))
    run_study(StudyPlan(15, tmp_path))
    assert judged == [0, 1, 2, 3, 4]
    run_study(StudyPlan(15, tmp_path))
    assert judged == [0, 1, 2, 3, 4]
    assert [a["machine"]["number"] for a in read_answers(tmp_path / "cases.jsonl", 9)[1]] == [0, 1, 2]


def test_a_line_that_a_stop_cut_short_is_judged_again(judged: list[int], tmp_path: Path) -> None:
    path = run_study(StudyPlan(9, tmp_path))
    path.write_text(path.read_text()[:-7])
    run_study(StudyPlan(9, tmp_path))
    assert judged == [0, 1, 2, 2]
    assert len(read_answers(path)[1]) == 3


def test_progress_counts_what_was_there_too(judged: list[int], tmp_path: Path) -> None:
    run_study(StudyPlan(6, tmp_path))
    seen: list[tuple[int, int]] = []
    run_study(StudyPlan(12, tmp_path), progress=lambda done, of: seen.append((done, of)))
    assert seen == [(3, 4), (4, 4)]


@pytest.mark.parametrize(("key", "value"), [("seed", 2), ("rules", "other"), ("code", "other"), ("version", "0.0.0")])
def test_answers_of_another_study_are_not_added_to(judged: list[int], tmp_path: Path, key: str, value: object) -> None:
    path = run_study(StudyPlan(3, tmp_path))
    head, *rest = path.read_text().splitlines(keepends=True)
    path.write_text(json.dumps(json.loads(head) | {key: value}) + "\n" + "".join(rest))
    with pytest.raises(InputError, match=key):
        run_study(StudyPlan(6, tmp_path))
    assert judged == [0]


def test_a_line_that_is_no_answer_is_told_with_its_place(judged: list[int], tmp_path: Path) -> None:
    path = run_study(StudyPlan(6, tmp_path))
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], "not an answer", lines[2]]) + "\n")
    with pytest.raises(InputError) as told:
        run_study(StudyPlan(6, tmp_path))
    assert told.value.problems[0].row == 2


def test_fewer_than_one_worker_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--workers 0"):
        run_study(StudyPlan(3, tmp_path, workers=0))


def test_a_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="can't be written to"):
        run_study(StudyPlan(3, tmp_path / "file"))


def test_a_scheduler_that_does_not_answer_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(run, "ANSWER_WITHIN", "1s")
    with pytest.raises(InputError, match="no scheduler answers"):
        run_study(StudyPlan(3, tmp_path, scheduler="tcp://127.0.0.1:9"))


def test_a_case_that_the_workbook_fails_on_is_kept_with_the_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    import forensics.investigation

    def broken(case: object) -> None:
        raise RuntimeError("out of luck")

    monkeypatch.setattr(forensics.investigation, "weigh_case", broken)
    answer = judge_machine(plan(3, 1)[0])
    assert [case["failed"] for case in answer["cases"]] == ["RuntimeError: out of luck"] * 3
