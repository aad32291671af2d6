"""A list of points before any event: what it could show, and what is wrong with it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from forensics.cli import CORRECT, DONE, main
from forensics.hypotheses.readiness import in_sight
from forensics.model.vocabulary import Role

EVERYTHING = dict.fromkeys(Role, (0.1, "instant"))


def test_with_everything_every_mode_could_be_seen_and_with_nothing_none() -> None:
    full = {row.mode: row.observable for row in in_sight(EVERYTHING)}
    assert {mode for mode, answer in full.items() if answer == "no"} == set()
    assert not [row.mode for row in in_sight({}) if row.observable == "yes"]


def test_more_points_never_show_less() -> None:
    rank = {"no": 0, "partly": 1, "yes": 2}
    some = {role: EVERYTHING[role] for role in list(Role)[::2]}
    less, more = in_sight(some), in_sight(EVERYTHING)
    assert all(rank[a.observable] <= rank[b.observable] for a, b in zip(less, more, strict=True))


def test_slower_points_never_show_more_and_the_change_says_the_rate() -> None:
    rank = {"no": 0, "partly": 1, "yes": 2}
    slow = in_sight(dict.fromkeys(Role, (3600.0, "instant")))
    assert all(rank[a.observable] <= rank[b.observable] for a, b in zip(slow, in_sight(EVERYTHING), strict=True))
    assert any("or faster" in row.unlocked_by for row in slow)


def test_the_command_takes_a_list(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    points = tmp_path / "points.csv"
    points.write_text("role,interval_s,recorded\nmotor_amps,1,\nslide_position,10,instant\n", encoding="utf-8")
    assert main(["check", str(points), "--json"]) == DONE
    document = json.loads(capsys.readouterr().out)
    assert {row["mode"] for row in document["modes"]} >= {"slide-stuck", "oil-supply-lost"}


def test_every_wrong_row_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    points = tmp_path / "points.csv"
    points.write_text("role,interval_s,recorded\nmotor_ams,1,\nslide_position,fast,sometimes\n", encoding="utf-8")
    assert main(["check", str(points)]) == CORRECT
    said = capsys.readouterr().err
    for word in ("line 2", "motor_amps", "line 3", "'fast'", "'sometimes'"):
        assert word in said
    points.write_text("point,every\n", encoding="utf-8")
    assert main(["check", str(points)]) == CORRECT
    assert "role, interval_s" in capsys.readouterr().err
