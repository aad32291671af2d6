"""What the record says against the sequence profile: invented machines whose build is known (data_demo.study)."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from forensics.demo.study import simulate
from forensics.demo.study.sampling import hand_over
from forensics.demo.study.workbook import as_case

from forensics.case.schema import Observation
from forensics.clocks import align, fit_clocks
from forensics.intake.load_case import Case
from forensics.investigation import look
from forensics.machine.built.profile_evidence import (
    commands_doubted,
    contradictions,
    profile_evidence,
    profile_problems,
    profile_told,
)
from forensics.machine.subject import Subject
from forensics.model.vocabulary import State
from forensics.rules.profiles import Profile


@cache
def _case(build: str, sampling_s: float = 1.0) -> Case:
    return as_case(hand_over(simulate(build, seed=3, hours=24.0), sampling=sampling_s))


def _subject(build: str, sampling_s: float = 1.0, **changed: Any) -> Subject:
    """A machine of a build with a profile that differs in some keys from it."""
    case = _case(build, sampling_s)
    table = case.profile.model_dump(by_alias=True)
    for name, value in changed.items():
        section, _, key = name.partition("__")
        if section == "cell":
            state, _, role = key.partition("__")
            table["states"] = {**table["states"], State(state): {**table["states"][State(state)], role: value}}
        else:
            table[section] = {**table[section], key: value}
    profile = Profile.model_validate(table)
    record = align(case.record, fit_clocks(case.record, case.file, case.limits), case.limits)
    return look(replace(case, profile=profile), record)


@pytest.mark.parametrize(
    "build", ["pulsed-bypass", "unload-normally-open", "no-bypass", "steps-four", "three-way", "latched-hold"]
)
@pytest.mark.parametrize("sampling_s", [1.0, 5.0])
def test_a_machine_as_its_profile_says_contradicts_nothing(build: str, sampling_s: float) -> None:
    subject = _subject(build, sampling_s)
    assert [one.words for one in contradictions(subject)] == []
    assert profile_problems(subject) == []
    assert not commands_doubted(subject)
    assert profile_evidence(subject)


@pytest.mark.parametrize(
    ("build", "changed", "about"),
    [
        ("pulsed-bypass", {"polarity__load_solenoid": "de-energise-to-load"}, "sense of the load solenoid"),
        ("unload-normally-open", {"polarity__unload_solenoid": "energise-to-unload"}, "unload solenoid in start"),
        ("pulsed-bypass", {"polarity__bypass_solenoid": "energise-to-open"}, "sense of the bypass solenoid"),
        ("pulsed-bypass", {"polarity__has_bypass": False}, "internal unloading valve"),
        ("pulsed-bypass", {"polarity__has_pump_down": False}, "pump-down"),
        ("no-pump-down", {"polarity__has_pump_down": True}, "pump-down"),
        ("pulsed-bypass", {"cell__start__load_solenoid": "on"}, "load solenoid in start"),
        ("steps-four", {"cell__load__load_solenoid": "pulses"}, "kind of the load solenoid"),
    ],
)
def test_a_profile_of_another_machine_is_contradicted(build: str, changed: dict[str, Any], about: str) -> None:
    subject = _subject(build, **changed)
    found = {one.about: one for one in contradictions(subject)}
    assert about in found, list(found)
    assert found[about].low > 0.7
    problems = [str(problem) for problem in profile_problems(subject)]
    assert any(about in problem and found[about].look_at in problem for problem in problems)
    assert any("Against the sequence profile" in line for line in profile_told(subject))


def test_a_pump_that_nobody_told_is_seen_by_its_pressure() -> None:
    case = _case("ammonia-pumped")
    machine = case.file.machine.model_copy(update={"oil_pump": False})
    subject = _subject("ammonia-pumped")
    doubted = replace(subject, machine=machine)
    assert "oil pump" in {one.about for one in contradictions(doubted)}
    assert not commands_doubted(doubted)


def test_a_coil_whose_pull_was_looked_at_settles_its_own_doubt() -> None:
    subject = _subject("pulsed-bypass", polarity__bypass_solenoid="energise-to-open")
    assert commands_doubted(subject)
    looked = Observation(kind="inspection", text="coil pulls when the output is on", part="bypass solenoid")
    heard = Observation(kind="witness", text="they say that it pulls", part="bypass solenoid")
    other = Observation(kind="test", text="coil pulls", part="load solenoid")
    mine = {one.role for one in contradictions(subject) if one.on_commands}
    settled = not commands_doubted(replace(subject, observations=(looked,)))
    assert settled == (len(mine) == 1)
    assert commands_doubted(replace(subject, observations=(heard,)))
    assert commands_doubted(replace(subject, observations=(other,)))
