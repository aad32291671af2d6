"""Which picture tells the story: the layout that the rules name for the cause, or for an open or a sound case."""

from __future__ import annotations

from functools import cache
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from forensics.model.vocabulary import VerdictStatus
from forensics.rules import FOLDER
from forensics.rules.strict import read_form


def _tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


Words = Annotated[tuple[str, ...], BeforeValidator(_tuple)]


class Plan(BaseModel):
    """One layout: its kind, its quantities in the order of their panels, and the checks whose limits are drawn."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    kind: Literal["starts", "rests", "start", "stop", "close", "course"]
    panels: Words = Field(min_length=1)
    limits_of: Words = ()


class Plans(BaseModel):
    """The whole of ``rules/report/story.toml``."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    open: Plan
    sound: Plan
    mode: dict[str, Plan]
    quantity: dict[str, str]


@cache
def read_plans() -> Plans:
    """The layouts that ship.

    Raises
    ------
    InputError
        A key is unknown or missing: all faults at once.
    """
    return read_form(Plans, FOLDER / "report" / "story.toml")


def plan_of(status: VerdictStatus, mode: str | None) -> Plan:
    """The layout for a verdict; a cause without one of its own gets that of an open case."""
    plans = read_plans()
    if status is VerdictStatus.NO_FAULT_FOUND:
        return plans.sound
    return plans.mode.get(mode or "", plans.open)
