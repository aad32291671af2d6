"""Case files made to break the reading are answered: a result or a list of problems, in bounded time, never a fault."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import attacks
import pytest
from case_folders import CASE, bounded, write_folder

from forensics.batch.plan import BatchPlan, plan_jobs
from forensics.cli import CORRECT, DONE, main
from forensics.intake.load_case import load_case
from forensics.investigation import judge
from forensics.results.findings_json import dump_findings, read_findings
from forensics.results.publish import to_findings_file
from forensics.rules import read_limits

LIMIT_S = 10.0


def _answer(tmp_path: Path, text: str) -> int:
    """Exit code of ``check``; a case that runs gives findings that their own reader takes."""
    case = write_folder(tmp_path / "case", text)
    with bounded() as clock:
        code = main(["check", str(case)])
    assert clock.seconds < LIMIT_S, clock.seconds
    if code == DONE:
        with bounded() as clock:
            out = tmp_path / "findings.json"
            out.write_text(dump_findings(to_findings_file(judge(load_case(case)))), encoding="utf-8")
            read_findings(out)
        assert clock.seconds < LIMIT_S, clock.seconds
    with bounded() as clock:
        assert len(plan_jobs(BatchPlan((case,), tmp_path / "out"), "software", "token")) == 1
    assert clock.seconds < LIMIT_S
    return code


def _named(found: Iterable[tuple[str, str]]) -> list[object]:
    return [pytest.param(text, id=name.encode("unicode_escape").decode()[:60]) for name, text in found]


REFUSED = [*attacks.numbers(), *attacks.times(), *attacks.texts(), *attacks.shapes()]
KEYS_REFUSED, KEYS_POSSIBLE = list(attacks.source_keys_refused()), list(attacks.source_keys_possible())


def test_there_are_enough_attacks() -> None:
    assert len({text for _, text in REFUSED}) >= 120
    assert len({text for _, text in KEYS_REFUSED + KEYS_POSSIBLE}) >= 60


def test_the_case_that_is_attacked_runs(tmp_path: Path) -> None:
    assert _answer(tmp_path, CASE) == DONE


@pytest.mark.parametrize("text", _named(REFUSED))
def test_a_case_file_that_can_not_be_meant_is_refused(tmp_path: Path, text: str) -> None:
    assert _answer(tmp_path, text) == CORRECT


@pytest.mark.parametrize("text", _named(KEYS_REFUSED))
def test_a_source_key_that_can_not_be_meant_is_refused(tmp_path: Path, text: str) -> None:
    assert _answer(tmp_path, text) == CORRECT


@pytest.mark.parametrize("text", _named(KEYS_POSSIBLE))
def test_a_source_key_that_does_not_fit_is_answered(tmp_path: Path, text: str) -> None:
    assert _answer(tmp_path, text) in (DONE, CORRECT)


def test_points_that_are_nowhere_are_left_out_in_bounded_time(tmp_path: Path) -> None:
    assert _answer(tmp_path, attacks.many_points()) in (DONE, CORRECT)


def _limits(every: int) -> list[object]:
    out = []
    for place, name in enumerate(read_limits()):
        default = read_limits()[name]
        far = (default / 1000.0, default * 1000.0) if default > 0 else (-1000.0, 1000.0)
        for value in far if place % every == 0 else ():
            out.append(pytest.param(name, value, id=f"{name}={value:g}"))
    return out


def _one_limit(tmp_path: Path, name: str, value: float) -> None:
    limit = f'[[limit]]\nname = "{name}"\nvalue = {float(value)!r}\nsource = "made"\n'
    assert _answer(tmp_path, CASE + limit) in (DONE, CORRECT)


@pytest.mark.parametrize(("name", "value"), _limits(every=20))
def test_a_limit_at_the_end_of_what_is_taken_is_answered(tmp_path: Path, name: str, value: float) -> None:
    _one_limit(tmp_path, name, value)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "value"), _limits(every=1))
def test_every_limit_at_the_end_of_what_is_taken_is_answered(tmp_path: Path, name: str, value: float) -> None:
    _one_limit(tmp_path, name, value)
