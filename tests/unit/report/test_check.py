"""What ``check`` says: every note of a reader, how each export was read, no judgement. All cases are invented."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from forensics.demo import DEMO_CASES
from forensics.hypotheses.readiness import in_sight
from forensics.intake.load_case import load_case
from forensics.intake.result import how_read
from forensics.model.vocabulary import Role
from forensics.report.checking.check import check_case_folder

SCREEN_LINES, SCREEN_WIDTH = 24, 150


@pytest.mark.parametrize("name", sorted(DEMO_CASES))
def test_the_table_of_each_export_fits_a_screen_and_every_note_is_there(name: str) -> None:
    text = check_case_folder(DEMO_CASES[name])
    case = load_case(DEMO_CASES[name])
    for reading in case.readings:
        rows = how_read(reading)
        assert len(rows) < SCREEN_LINES
        assert all(what and value for what, value, _, _ in rows)
        for note in reading.notes:
            assert note in text
    block = text.partition("was read\n")[2].partition("\n\n")[0]
    assert max(map(len, block.splitlines())) <= SCREEN_WIDTH
    assert "date_order" in block


def test_check_judges_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def judged(*_: object, **__: object) -> None:
        raise AssertionError("check must not judge")

    monkeypatch.setattr("forensics.investigation.judge", judged)
    monkeypatch.setattr("forensics.signatures.core.catalogue.run_catalogue", judged)
    assert "failure 2031-03-07" in check_case_folder(DEMO_CASES["loaded-starts"])


def test_a_note_of_a_reader_reaches_check(tmp_path: Path) -> None:
    shutil.copytree(DEMO_CASES["healthy"].parent, tmp_path / "case")
    events = tmp_path / "case" / "exports" / "events.csv"
    head, *rows = events.read_text(encoding="utf-8").splitlines()
    events.write_text("\n".join([head, *rows[::-1]]) + "\n", encoding="utf-8")
    assert "the log is written newest first" in check_case_folder(tmp_path / "case" / "case.toml")


def test_a_mode_is_in_sight_when_what_it_needs_is_logged_fast_enough() -> None:
    fast = dict.fromkeys(Role, (0.1, "instant"))
    assert {row.observable for row in in_sight(fast)} <= {"yes", "partly"}
    assert {row.observable for row in in_sight({})} <= {"no", "partly"}
    slow = {row.mode: row for row in in_sight(dict.fromkeys(Role, (1e6, "instant")))}
    assert any("needed every" in row.why for row in slow.values())
    assert all(row.unlocked_by.startswith("log ") for row in slow.values() if row.observable == "no")
