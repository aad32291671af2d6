"""Sequence profiles: the grammar of cells, what ships, the template, the schema, and that every key is read.

What the states of a machine ask of its solenoids is common practice, no published source.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from forensics.case.schema import Machine
from forensics.machine.built.build import as_built, build_of
from forensics.model.build_words import CapacityKind, CheckValve
from forensics.model.vocabulary import Role, State
from forensics.rules import FOLDER
from forensics.rules.cells import cell_fault, read_cell
from forensics.rules.profile_words import SCHEMA_FILE, explain, profile_schema
from forensics.rules.profiles import Profile, read_profile, shipped_profiles
from forensics.rules.strict import read_form

SHIPPED = tuple(shipped_profiles())
TEMPLATE = FOLDER / "sequence_template.toml"


@pytest.mark.parametrize(
    ("text", "first", "last", "pulses", "acts", "rests"),
    [
        ("off", False, False, False, False, True),
        ("on", True, True, False, True, False),
        ("pulses", None, None, True, True, False),
        ("pulses or on", None, None, True, True, False),
        ("pulses or off", None, None, True, False, False),
        ("either", None, None, False, False, False),
        ("off then on", False, True, False, True, False),
        ("on then off", True, False, False, True, False),
        ("off then on then off", False, False, False, True, False),
        ("off then either", False, None, False, False, False),
    ],
)
def test_a_cell_says_how_a_state_begins_and_ends_and_whether_it_acts(
    text: str, first: bool | None, last: bool | None, pulses: bool, acts: bool, rests: bool
) -> None:
    cell = read_cell(text)
    assert cell_fault(text) == ""
    assert (cell.first, cell.last, cell.pulses, cell.acts, cell.rests) == (first, last, pulses, acts, rests)
    assert cell.free == (text == "either")


@pytest.mark.parametrize(
    "text",
    ["", "plses", "on then", "on then on", "on or on", "either or on", "on, off", "off then on then off then on", "ON"],
)
def test_a_cell_that_is_no_cell_is_told(text: str) -> None:
    assert cell_fault(text)


def test_a_motor_does_not_pulse_and_its_row_fits_the_state() -> None:
    assert cell_fault("pulses", motor=True)
    table = tomllib.loads(TEMPLATE.read_text("utf-8"))
    wrong_rows = {"rest": "on", "hold": "off", "coast-down": "on", "stop": "off", "load": "on then off"}
    for state, word in wrong_rows.items():
        wrong = {**table, "states": {**table["states"], state: {"motor": word}}}
        with pytest.raises(ValueError, match="motor"):
            Profile.model_validate(wrong)
    fine = {**table, "states": {**table["states"], "stop": {"motor": "on then off"}}}
    assert Profile.model_validate(fine).motor_in_stop.last is False


def test_the_builds_that_are_common_ship() -> None:
    profiles = {name: read_profile(name, FOLDER) for name in SHIPPED}
    builds = {name: build_of(Machine(refrigerant="R134a"), p) for name, p in profiles.items()}
    assert all(name == p.id for name, p in profiles.items())
    assert builds["unload-normally-open"].vents_without_power
    assert builds["bypass-shut-at-start"].bypass_shut_at_start
    assert builds["bypass-released-early"].bypass_released_early
    assert not builds["no-bypass"].has_bypass
    assert not builds["no-pump-down"].has_pump_down
    assert builds["three-way-valve"].three_way
    assert builds["step-valves-25-50-75-100"].steps_percent == (25.0, 50.0, 75.0, 100.0)
    assert builds["step-valves-33-66-100"].steps_percent == (33.0, 66.0, 100.0)
    assert builds["spring-loads"].spring_loads
    assert builds["latched-hold"].latched_hold
    assert not builds["speed-fixed-slide"].has_slide
    assert builds["speed-and-slide"].has_drive
    assert builds["speed-and-slide"].has_slide
    assert builds["check-valve-before-sensor"].check_valve is CheckValve.BEFORE_SENSOR
    plain = builds["pulsed-slide-bypass"]
    assert plain.has_bypass
    assert plain.has_pump_down
    assert plain.capacity is CapacityKind.SLIDE
    assert not any((plain.latched_hold, plain.three_way, plain.bypass_released_early))


def _turned(value: object) -> object:
    if isinstance(value, bool):
        return not value
    if isinstance(value, float | int):
        return value + 1.0
    others = {
        "energise-to-load": "de-energise-to-load",
        "energise-to-unload": "de-energise-to-unload",
        "energise-to-shut": "energise-to-open",
        "load-and-unload": "three-way",
        "oil-loads": "spring-loads",
        "after-discharge-sensor": "before-discharge-sensor",
    }
    back = {b: a for a, b in others.items()}
    if isinstance(value, list):
        return [*value[:-1], value[-1] - 1.0]
    assert isinstance(value, str)
    return others.get(value) or back.get(value) or f"{value} of another kind"


def _cell_turned(word: str, *, motor: bool) -> str:
    if motor:
        return "either" if word != "either" else "on"
    return "on" if word == "off" else "off"


def _said(table: dict[str, Any]) -> tuple[str, ...]:
    """What a profile changes of what is published: its table in words, and the build that is taken."""
    profile = Profile.model_validate(table)
    return (*explain(profile), as_built(build_of(Machine(refrigerant="R134a"), profile)))


def _unread(table: dict[str, Any]) -> list[str]:
    """Keys and cells of a profile that can be changed without any change of what is published."""
    before, unread = _said(table), []
    for section in ("polarity", "times", "build"):
        for key, value in table.get(section, {}).items():
            if section == "build" and key == "capacity":
                other = {k: v for k, v in table["build"].items() if k != "steps_percent"} | {"capacity": "speed"}
                changed = {**table, "build": other}
                if value == "speed":
                    changed["build"]["capacity"] = "slide"
            else:
                changed = {**table, section: {**table[section], key: _turned(value)}}
            if not table["polarity"]["has_bypass"] and key.startswith("bypass"):
                continue  # of a valve that is not there nothing is read
            if table.get("build", {}).get("valves") == "three-way" and key == "unload_solenoid":
                continue
            if _said(changed) == before:
                unread.append(f"{section}.{key}")
    for key in ("id", "title", "source"):
        if _said({**table, key: "another"}) == before:
            unread.append(key)
    for state, cells in table["states"].items():
        for key, word in cells.items():
            if key == "bypass_solenoid" and not table["polarity"]["has_bypass"]:
                continue
            other = _cell_turned(word, motor=key == "motor")
            changed = {**table, "states": {**table["states"], state: {**cells, key: other}}}
            if _said(changed) == before:
                unread.append(f"states.{state}.{key}")
    return unread


@pytest.mark.parametrize("name", [*SHIPPED, TEMPLATE.stem])
def test_every_key_and_cell_of_a_profile_that_ships_changes_what_is_published(name: str) -> None:
    path = shipped_profiles().get(name, TEMPLATE)
    assert _unread(tomllib.loads(path.read_text("utf-8"))) == []


def test_every_key_and_cell_of_the_shared_profiles_changes_what_is_published(shared: Path) -> None:
    paths = sorted(shared.glob("incidents*/cases/*/sequence.toml"))
    if not paths:
        pytest.skip("no sequence profile in ../shared")
    assert {p.parent.name: found for p in paths if (found := _unread(tomllib.loads(p.read_text("utf-8"))))} == {}


def test_the_template_is_a_profile_and_says_what_the_first_one_does() -> None:
    mine, theirs = read_form(Profile, TEMPLATE), read_profile("pulsed-slide-bypass", FOLDER)
    assert (mine.polarity, mine.times, mine.states) == (theirs.polarity, theirs.times, theirs.states)


def test_the_template_names_every_key_that_there_is() -> None:
    text = TEMPLATE.read_text("utf-8")
    for form in (Profile.model_fields["polarity"], Profile.model_fields["times"], Profile.model_fields["build"]):
        assert form.annotation is not None
        assert [key for key in form.annotation.model_fields if key not in text] == []


def test_the_schema_that_ships_is_that_of_the_model() -> None:
    assert SCHEMA_FILE.read_text("utf-8") == profile_schema(), "run python -m forensics.rules.profile_words"
    schema = json.loads(profile_schema())
    assert schema["additionalProperties"] is False
    cells = schema["properties"]["states"]["properties"]["start"]
    assert set(cells["properties"]) >= {"load_solenoid", "bypass_solenoid", "motor"}


def test_a_profile_is_explained_back_in_words() -> None:
    words = "\n".join(explain(read_profile("unload-normally-open", FOLDER)))
    assert "unload solenoid vents the slide while it is not energised" in words
    assert "bypass solenoid off, then on" in words
    assert "no internal unloading valve" in "\n".join(explain(read_profile("no-bypass", FOLDER)))


def test_a_machine_without_a_valve_expects_nothing_of_it() -> None:
    profile = read_profile("no-bypass", FOLDER)
    assert all(profile.expected(state, Role.BYPASS_SOLENOID).free for state in State)


def test_a_capacity_command_that_acts_in_holding_tells_no_load() -> None:
    told = {name: read_profile(name, FOLDER).tells_by_itself(Role.LOAD_SOLENOID) for name in SHIPPED}
    assert told["pulsed-slide-bypass"]
    assert not any(told[n] for n in ("latched-hold", "step-valves-25-50-75-100", "three-way-valve"))


def test_the_case_file_stands_over_the_profile() -> None:
    profile = read_profile("spring-loads", FOLDER)
    assert build_of(Machine(refrigerant="R134a"), profile).oil_pump is True
    assert build_of(Machine(refrigerant="R134a", oil_pump=False), profile).oil_pump is False
