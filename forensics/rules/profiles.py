"""Sequence profiles: what each solenoid should do in each state, polarity, dwell and travel times."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator

from forensics.errors import InputError, Problem
from forensics.model.paths import TABLE_BYTES, is_there, name_fault, path_problem
from forensics.model.vocabulary import Role, State
from forensics.rules import FOLDER
from forensics.rules.plausible import plausible
from forensics.rules.strict import Form, read_form, refused

MOTOR = "motor"
SOLENOID_WORDS = ("off", "on", "pulses", "pulses or on", "either", "off then on", "on then off")
MOTOR_WORDS = ("off", "on", "either", "on then off")
SOLENOIDS = (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID, Role.BYPASS_SOLENOID, Role.INJECTION_SOLENOID)
_STATES = tuple(state for state in State if state is not State.UNKNOWN)


def _dwell(value: float) -> float:
    fault = plausible()["dwell_s"].fault(value)
    if fault:
        raise ValueError(fault)
    return value


Dwell = Annotated[float, AfterValidator(_dwell)]
Said = Annotated[str, Field(min_length=1, max_length=1000, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]+$")]


class Polarity(Form):
    """Which way each valve acts when it is energised."""

    load_solenoid: str = Field(pattern=r"^(energise-to-load|de-energise-to-load)$")
    unload_solenoid: str = Field(pattern=r"^(energise-to-unload|de-energise-to-unload)$")
    bypass_solenoid: str = Field(pattern=r"^(energise-to-shut|energise-to-open)$")
    has_bypass: bool
    has_pump_down: bool


class Times(Form):
    """Dwell and travel times of the sequence, s."""

    travel_load_s: Dwell
    travel_unload_s: Dwell
    unload_before_stop_s: Dwell
    bypass_release_tolerance_s: Dwell
    bypass_delay_after_start_s: Dwell
    unload_after_stop_s: Dwell
    anti_recycle_s: Dwell
    coast_down_s: Dwell


class Profile(Form):
    """One sequence profile; a state or a solenoid that it leaves out may be either."""

    schema_: Literal[1] = Field(alias="schema")
    id: Said
    title: Said
    source: Said
    polarity: Polarity
    times: Times
    states: Mapping[State, Mapping[str, str]]

    @field_validator("states", mode="before")
    @classmethod
    def _known_words(cls, states: object) -> object:
        if not isinstance(states, Mapping):
            raise ValueError("the states are tables, [states.rest] and so on")
        faults = [fault for state, cells in states.items() for fault in _state_faults(str(state), cells)]
        if faults:
            raise ValueError("; ".join(faults))
        return states

    def cell(self, state: State, role: Role) -> str:
        """The expected word for a solenoid in a state; ``either`` where the profile does not care."""
        return self.states.get(state, {}).get(role.value, "either")


def _shipped(name: str) -> Path | None:
    """The profile of that name among those that ship; a name is looked up, never made into a path."""
    return {path.stem: path for path in (FOLDER / "sequences").glob("*.toml")}.get(name)


def read_profile(name: str, folder: Path) -> Profile:
    """Read a profile that ships, or the file that the case names relative to its folder.

    Raises
    ------
    InputError
        No such profile, or it does not keep to the form; every fault is listed.
    """
    path = _shipped(name)
    if path is None and (bool(name_fault(name)) or is_there(folder, name)):
        wrong = path_problem(folder, name, TABLE_BYTES, key="machine.sequence")
        if wrong is not None:
            raise InputError([wrong])
        path = folder / name.replace("\\", "/")
    if path is None:
        ships = ", ".join(sorted(p.stem for p in (FOLDER / "sequences").glob("*.toml")))
        raise InputError(
            [
                Problem(
                    f"sequence profile '{name}' is not there",
                    file="case.toml",
                    column="machine.sequence",
                    remedy=f"Profiles that ship: {ships}; or give a path to one.",
                )
            ]
        )
    return read_form(Profile, path)


def _state_faults(state: str, cells: object) -> list[str]:
    """What is wrong with the cells of one state, in words; a word that is not known names the nearest."""
    if state not in _STATES:
        return [refused(state, _STATES, "operating state")]
    if not isinstance(cells, Mapping):
        return [f"[states.{state}] is a table of cells"]
    faults = []
    for key, word in cells.items():
        known = MOTOR_WORDS if key == MOTOR else SOLENOID_WORDS
        if key != MOTOR and key not in SOLENOIDS:
            faults.append(f"states.{state}: {refused(str(key), (*SOLENOIDS, MOTOR), 'solenoid of a profile')}")
        elif word not in known:
            faults.append(f"states.{state}.{key}: {refused(str(word), known, 'word for a cell')}")
    return faults
