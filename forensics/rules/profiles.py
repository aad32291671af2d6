"""Sequence profiles: what each solenoid does in each state, polarity, dwell and travel times, and the build."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator, model_validator

from forensics.errors import InputError, Problem
from forensics.model.build_words import CapacityKind, CheckValve
from forensics.model.paths import TABLE_BYTES, is_there, name_fault, path_problem
from forensics.model.vocabulary import Role, State
from forensics.rules import FOLDER
from forensics.rules.cells import Cell, cell_fault, read_cell
from forensics.rules.plausible import plausible
from forensics.rules.strict import Form, read_form, refused

MOTOR = "motor"
SOLENOIDS = (
    Role.LOAD_SOLENOID,
    Role.UNLOAD_SOLENOID,
    Role.BYPASS_SOLENOID,
    Role.INJECTION_SOLENOID,
    Role.ECONOMISER_SOLENOID,
)
STATES = tuple(state for state in State if state is not State.UNKNOWN)
_STANDS = {State.REST: False, State.COAST_DOWN: False}
"""States of a motor that stands; in stop it may end, in every other it runs."""


def _within(kind: str) -> AfterValidator:
    def check(value: float) -> float:
        fault = plausible()[kind].fault(value)
        if fault:
            raise ValueError(fault)
        return value

    return AfterValidator(check)


Dwell = Annotated[float, _within("dwell_s")]
Percent = Annotated[float, _within("step_percent")]
Said = Annotated[str, Field(min_length=1, max_length=1000, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]+$")]


class Polarity(Form):
    """Which way each valve acts when it is energised, and what the sequence has."""

    load_solenoid: Literal["energise-to-load", "de-energise-to-load"]
    unload_solenoid: Literal["energise-to-unload", "de-energise-to-unload"]
    bypass_solenoid: Literal["energise-to-shut", "energise-to-open"]
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


class Built(Form):
    """How a machine of this sequence is built; what the case file says of the machine itself stands over it."""

    capacity: CapacityKind = CapacityKind.SLIDE
    valves: Literal["load-and-unload", "three-way"] = "load-and-unload"
    force: Literal["oil-loads", "spring-loads"] = "oil-loads"
    steps_percent: tuple[Percent, ...] = Field((), max_length=12)
    oil_pump: bool | None = None
    economiser: bool | None = None
    check_valve: CheckValve | None = None

    @model_validator(mode="after")
    def _steps(self) -> Built:
        if bool(self.steps_percent) != (self.capacity is CapacityKind.STEPS):
            raise ValueError('steps_percent goes with capacity = "steps", which needs it')
        if list(self.steps_percent) != sorted(set(self.steps_percent)):
            raise ValueError("steps_percent rises from the least step to the last")
        return self


class Profile(Form):
    """One sequence profile; a state or a solenoid that it leaves out may be either."""

    schema_: Literal[1] = Field(alias="schema")
    id: Said
    title: Said
    source: Said
    polarity: Polarity
    times: Times
    build: Built = Built()
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
        """The expected word for a solenoid in a state; ``either`` where nothing is said, or there is no such valve."""
        if role is Role.BYPASS_SOLENOID and not self.polarity.has_bypass:
            return "either"
        return self.states.get(state, {}).get(role.value, "either")

    def expected(self, state: State, role: Role) -> Cell:
        """What a solenoid is to do in a state, by hydraulic effect."""
        return read_cell(self.cell(state, role))

    @property
    def motor_in_stop(self) -> Cell:
        """What the motor does in the stop sequence: on to its end, or going off within it."""
        return read_cell(self.states.get(State.STOP, {}).get(MOTOR, "either"))

    def tells_by_itself(self, role: Role) -> bool:
        """Whether a capacity command that acts tells load or unload: it rests while the machine holds."""
        return self.expected(State.HOLD, role).rests


def shipped_profiles() -> Mapping[str, Path]:
    """Profiles that ship, by name."""
    return {path.stem: path for path in sorted((FOLDER / "sequences").glob("*.toml"))}


def _shipped(name: str) -> Path | None:
    """The profile of that name among those that ship; a name is looked up, never made into a path."""
    return shipped_profiles().get(name)


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
        ships = ", ".join(shipped_profiles())
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
    if state not in STATES:
        return [refused(state, STATES, "operating state")]
    if not isinstance(cells, Mapping):
        return [f"[states.{state}] is a table of cells"]
    faults = []
    for key, word in cells.items():
        if key != MOTOR and key not in SOLENOIDS:
            faults.append(f"states.{state}: {refused(str(key), (*SOLENOIDS, MOTOR), 'solenoid of a profile')}")
        elif (fault := cell_fault(word, motor=key == MOTOR)) or (
            key == MOTOR and (fault := _motor_fault(State(state), read_cell(str(word))))
        ):
            faults.append(f"states.{state}.{key}: {fault}")
    return faults


def _motor_fault(state: State, cell: Cell) -> str:
    """Why the motor can't do that in a state: what a state is follows from whether the motor runs."""
    if state is State.STOP:
        return "" if cell.first is not False else "a stop sequence begins with the motor running: on, or on then off"
    runs = _STANDS.get(state, True)
    if cell.free or (cell.first is runs and cell.last is runs):
        return ""
    return f"in {state.value} the motor is {'on' if runs else 'off'}, since that is what the state is told by"
