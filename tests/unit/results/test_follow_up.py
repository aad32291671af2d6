"""Whether an action worked: gone, still there, cannot tell yet. The machines are those of the demonstration."""

from __future__ import annotations

import gzip
import hashlib
import json
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from forensics.case.job import Action, FollowUp
from forensics.case.read import check_case
from forensics.demo import DEMO_CASES
from forensics.errors import InputError
from forensics.intake.load_case import load_case
from forensics.investigation import Investigation, investigate
from forensics.results.follow_up import action_facts, follow_up, follow_up_facts

BEFORE_ALL, AFTER_ALL = date(2031, 1, 1), date(2031, 12, 31)
KEPT = Path(__file__).parents[2] / "kept_findings" / "loaded-starts.json.gz"


@cache
def _now(name: str) -> Investigation:
    return investigate(DEMO_CASES[name])


@cache
def _kept() -> str:
    return gzip.decompress(KEPT.read_bytes()).decode()


def _earlier(folder: Path, **changed: Any) -> None:
    found = json.loads(_kept())
    found["software"] = {"version": "0", "packages": {}, "rules_sha256": ""}  # left out of what is kept
    found["unloaded_starts"] |= changed.pop("unloaded_starts", {})
    for key in changed:
        found[key] = changed[key]
    (folder / "findings.json").write_text(json.dumps(found), encoding="utf-8")


def _case(folder: Path, name: str = "healthy", **row: Any) -> Investigation:
    work = _now(name)
    asked = FollowUp(findings="findings.json", **{"signature": "starts.loaded_repeatedly", "done": BEFORE_ALL} | row)
    file = work.casefile.model_copy(update={"follow_up": asked})
    return replace(work, case=replace(work.case, file=file, path=folder / "case.toml"))


def _answer(folder: Path, name: str = "healthy", **row: Any) -> tuple[str, str]:
    told = follow_up(_case(folder, name, **row))
    assert told is not None
    return told.answer, told.why


def test_a_signature_that_is_absent_over_enough_starts_is_gone(tmp_path: Path) -> None:
    _earlier(tmp_path, unloaded_starts={"high": 0.4})
    answer, why = _answer(tmp_path)
    assert answer == "gone"
    assert "absent over 14 starts" in why


def test_a_signature_that_came_seldom_needs_more_starts(tmp_path: Path) -> None:
    """0.85^18 = 0.054 and 0.85^19 = 0.046: nineteen starts without a loaded one are what 95 % asks for."""
    _earlier(tmp_path, unloaded_starts={"high": 0.85})
    answer, why = _answer(tmp_path)
    assert answer == "cannot tell yet"
    assert "14 starts after the action, of 19 needed" in why


def test_more_starts_promised_are_asked_for(tmp_path: Path) -> None:
    _earlier(tmp_path, unloaded_starts={"high": 0.4})
    assert _answer(tmp_path, starts=14)[0] == "gone"
    answer, why = _answer(tmp_path, starts=15)
    assert answer == "cannot tell yet"
    assert "of 15 needed" in why
    assert _answer(tmp_path, hours=500.0)[0] == "cannot tell yet"


def test_a_signature_that_is_present_after_the_action_is_still_there(tmp_path: Path) -> None:
    _earlier(tmp_path)
    assert _answer(tmp_path, "loaded-starts")[0] == "still there"


def test_data_from_before_the_action_prove_nothing(tmp_path: Path) -> None:
    _earlier(tmp_path, unloaded_starts={"high": 0.4})
    assert _answer(tmp_path, "loaded-starts", done=date(2031, 3, 5))[0] == "cannot tell yet"
    answer, why = _answer(tmp_path, done=AFTER_ALL)
    assert answer == "cannot tell yet"
    assert "0 starts after the action" in why


def test_a_signature_that_was_not_shown_before_proves_nothing(tmp_path: Path) -> None:
    _earlier(tmp_path)
    answer, why = _answer(tmp_path, signature="oil.level_low")
    assert answer == "cannot tell yet"
    assert "do not show" in why


def test_another_machine_proves_nothing(tmp_path: Path) -> None:
    machine = json.loads(_kept())["machine"] | {"serial": "OTHER"}
    _earlier(tmp_path, machine=machine)
    answer, why = _answer(tmp_path)
    assert answer == "cannot tell yet"
    assert "serial OTHER" in why


def test_what_is_not_told_is_asked_for(tmp_path: Path) -> None:
    _earlier(tmp_path)
    assert "give follow_up.signature" in _answer(tmp_path, signature="")[1]
    assert "give follow_up.done" in _answer(tmp_path, done=None)[1]
    (tmp_path / "findings.json").write_text("{}", encoding="utf-8")
    assert "can't be used" in _answer(tmp_path)[1]


def test_an_action_is_read_from_the_facts_of_the_earlier_findings(tmp_path: Path) -> None:
    action = Action(what="new valve", signature="starts.loaded_repeatedly", done=BEFORE_ALL, starts=12)
    facts = [row.model_dump() for row in action_facts((Action(what="look"), action))]
    _earlier(tmp_path, unloaded_starts={"high": 0.4}, facts=facts)
    told = follow_up(_case(tmp_path, signature="", done=None, action=2))
    assert told is not None
    assert (told.answer, told.starts_needed, told.promise.what) == ("gone", 12, "new valve")
    rows = {row.what: row.value for row in follow_up_facts(_case(tmp_path, signature="", done=None, action=2))}
    assert rows["follow-up of action 2"] == "gone"


def test_a_case_without_follow_up_has_no_answer() -> None:
    assert follow_up(_now("healthy")) is None


def test_findings_with_another_hash_stop_the_case(tmp_path: Path) -> None:
    (tmp_path / "findings.json").write_text("{}", encoding="utf-8")
    (tmp_path / "trend.csv").write_text("Time,Amps\n2031-05-01 00:00:00,1\n", encoding="utf-8")
    right = hashlib.sha256(b"{}").hexdigest()
    text = (
        'schema = 1\n[case]\nid = "a"\ntime_zone = "UTC"\n[machine]\nrefrigerant = "R134a"\n'
        '[[source]]\npath = "trend.csv"\n[[point]]\nrole = "motor_amps"\ncolumn = "Amps"\nunit = "A"\n'
        '[follow_up]\nfindings = "findings.json"\nsha256 = "{}"\n'
    )
    case = tmp_path / "case.toml"
    case.write_text(text.format("0" * 64), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_case(case)
    assert any(problem.column == "follow_up.sha256" for problem in caught.value.problems)
    case.write_text(text.format(right), encoding="utf-8")
    assert "the end of trend.csv stands for its time" in load_case(case).failure_found


def test_only_a_follow_up_may_do_without_a_failure(tmp_path: Path) -> None:
    case = {
        "schema": 1,
        "case": {"id": "a", "time_zone": "UTC"},
        "machine": {"refrigerant": "R134a"},
        "source": [{"path": "trend.csv"}],
    }
    assert check_case(case).follow_up is None
    (tmp_path / "trend.csv").write_text("Time,Amps\n2031-05-01 00:00:00,1\n", encoding="utf-8")
    (tmp_path / "case.toml").write_text(
        'schema = 1\n[case]\nid = "a"\ntime_zone = "UTC"\n[machine]\nrefrigerant = "R134a"\n'
        '[[source]]\npath = "trend.csv"\n[[point]]\nrole = "motor_amps"\ncolumn = "Amps"\nunit = "A"\n',
        encoding="utf-8",
    )
    with pytest.raises(InputError, match="no failure time is given"):
        load_case(tmp_path / "case.toml")
