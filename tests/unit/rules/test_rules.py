"""Rules are data, read strictly."""

from __future__ import annotations

from pathlib import Path

import pytest

from forensics.errors import InputError
from forensics.model.vocabulary import Role, State
from forensics.rules import read_limits, rules_sha256
from forensics.rules.profiles import read_profile


def test_the_case_replaces_a_limit_and_it_is_listed() -> None:
    name = "starts.unloaded_ratio_max"
    limits = read_limits().replaced({name: (0.45, "nameplate data sheet")})
    assert limits[name] == 0.45
    assert [(x.name, x.default) for x in limits.overridden] == [(name, 0.5)]
    assert "nameplate data sheet" in limits.basis(name)
    assert read_limits()[name] == 0.5


def test_a_limit_that_is_not_one_names_the_nearest() -> None:
    with pytest.raises(InputError, match=r"starts\.unloaded_ratio_max"):
        read_limits().replaced({"starts.unloaded_ratio": (0.4, "x")})


def test_scaling_leaves_the_original() -> None:
    name = "clocks.search_s"
    assert read_limits().scaled(name, 1.2)[name] == pytest.approx(1.2 * read_limits()[name])


def test_profile_cells(tmp_path: Path) -> None:
    profile = read_profile("pulsed-slide-bypass", tmp_path)
    assert profile.cell(State.LOAD, Role.LOAD_SOLENOID) == "pulses"
    assert profile.cell(State.REST, Role.UNLOAD_SOLENOID) == "either"
    assert profile.cell(State.COAST_DOWN, Role.BYPASS_SOLENOID) == "off"


def test_an_unknown_profile_says_which_ship(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="pulsed-slide-bypass"):
        read_profile("other", tmp_path)


def test_a_profile_of_ones_own(tmp_path: Path) -> None:
    from forensics.rules import FOLDER

    text = (FOLDER / "sequences" / "pulsed-slide-bypass.toml").read_text(encoding="utf-8")
    (tmp_path / "mine.toml").write_text(text.replace('id = "pulsed-slide-bypass"', 'id = "mine"'), encoding="utf-8")
    assert read_profile("mine.toml", tmp_path).id == "mine"
    (tmp_path / "bad.toml").write_text(text.replace("energise-to-load", "up"), encoding="utf-8")
    with pytest.raises(InputError, match="load_solenoid"):
        read_profile("bad.toml", tmp_path)


def test_the_hash_covers_every_rules_file() -> None:
    assert len(rules_sha256()) == 64
