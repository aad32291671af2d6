"""Starting duty of motors as standards give it: starts an hour, least rest, starts in succession."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from forensics.errors import InputError, Problem
from forensics.rules import FOLDER, read_toml

_FILE = "start_duty.toml"


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class DutyRow(_Strict):
    """One row: shaft rating in hp, starts an hour, starts an hour times load inertia in lb.ft2, least rest in s."""

    horsepower: float = Field(gt=0)
    starts_per_hour: float = Field(gt=0)
    inertia_product: float = Field(gt=0)
    rest_s: float = Field(gt=0)

    @property
    def load_inertia(self) -> float:
        """Load inertia, lb.ft2, up to which the row's starts an hour hold; beyond, they fall in proportion to it."""
        return self.inertia_product / self.starts_per_hour


class DutyTable(_Strict):
    """Rows by number of poles, by rising rating, with source and caveat."""

    source: str = Field(min_length=1)
    caveat: str = Field(min_length=1)
    poles_4: tuple[DutyRow, ...]
    poles_2: tuple[DutyRow, ...]

    @field_validator("poles_4", "poles_2", mode="before")
    @classmethod
    def _rows(cls, value: list[list[float]]) -> list[dict[str, float]]:
        return [dict(zip(DutyRow.model_fields, row, strict=True)) for row in value]

    @field_validator("poles_4", "poles_2")
    @classmethod
    def _ordered(cls, rows: tuple[DutyRow, ...]) -> tuple[DutyRow, ...]:
        for before, after in pairwise(rows):
            if not (before.horsepower < after.horsepower and before.starts_per_hour > after.starts_per_hour):
                raise ValueError(
                    f"a larger motor starts less often: rows of {before.horsepower:g} and {after.horsepower:g} hp"
                )
            if before.rest_s >= after.rest_s:
                raise ValueError(
                    f"a larger motor rests longer: rows of {before.horsepower:g} and {after.horsepower:g} hp"
                )
        return rows

    def lenient_row(self, horsepower: float, poles: int | None) -> DutyRow | None:
        """The most lenient row that may be meant: the next smaller rating, and four poles unless two are known.

        None below the smallest rating and well above the largest (by a fifth), where the table says nothing.
        """
        rows = self.poles_2 if poles == 2 else self.poles_4  # noqa: PLR2004 - two poles
        if horsepower > _BEYOND * rows[-1].horsepower:
            return None
        return next((row for row in reversed(rows) if row.horsepower <= horsepower), None)


_BEYOND = 1.2


class Succession(_Strict):
    """Starts in succession that a motor is built for: from cold, and at its running temperature."""

    source: str = Field(min_length=1)
    cold: int = Field(gt=0)
    hot: int = Field(gt=0)


class StartDuty(_Strict):
    """All of it."""

    table: DutyTable
    succession: Succession


@cache
def read_start_duty() -> StartDuty:
    """Read the starting duty that ships; faults name the place."""
    try:
        return StartDuty.model_validate(read_toml(FOLDER / _FILE))
    except ValidationError as fault:
        problems = [
            Problem(str(one["msg"]), file=_FILE, column=".".join(str(part) for part in one["loc"]))
            for one in fault.errors()
        ]
        raise InputError(problems) from None
