"""Sequence profiles: what each solenoid should do in each state, polarity, dwell and travel times."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from forensics.errors import InputError, Problem
from forensics.model.vocabulary import Role, State
from forensics.rules import FOLDER, read_toml


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Polarity(_Strict):
    """Which way each valve acts when it is energised."""

    load_solenoid: str = Field(pattern=r"^(energise-to-load|de-energise-to-load)$")
    unload_solenoid: str = Field(pattern=r"^(energise-to-unload|de-energise-to-unload)$")
    bypass_solenoid: str = Field(pattern=r"^(energise-to-shut|energise-to-open)$")
    has_bypass: bool
    has_pump_down: bool


class Times(_Strict):
    """Dwell and travel times of the sequence, s."""

    travel_load_s: float
    travel_unload_s: float
    unload_before_stop_s: float
    bypass_release_tolerance_s: float
    bypass_delay_after_start_s: float
    unload_after_stop_s: float
    anti_recycle_s: float
    coast_down_s: float


class Profile(_Strict):
    """One sequence profile."""

    schema_: int = Field(alias="schema")
    id: str
    title: str
    source: str = Field(min_length=1)
    polarity: Polarity
    times: Times
    states: Mapping[State, Mapping[str, str]]

    def cell(self, state: State, role: Role) -> str:
        """The expected word for a solenoid in a state; ``either`` where the profile does not care."""
        return self.states.get(state, {}).get(role.value, "either")


def read_profile(name: str, folder: Path) -> Profile:
    """Read a profile that ships, or the file that the case names relative to its folder.

    Raises
    ------
    InputError
        No such profile, or it does not keep to the form; every fault is listed.
    """
    shipped = FOLDER / "sequences" / f"{name}.toml"
    path = shipped if shipped.is_file() else folder / name
    if not path.is_file():
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
    try:
        return Profile.model_validate(read_toml(path))
    except ValidationError as fault:
        raise InputError(
            [Problem(e["msg"], file=path.name, column=".".join(str(part) for part in e["loc"])) for e in fault.errors()]
        ) from None
