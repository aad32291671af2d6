"""What a number of a case file can be at all: outside, a unit is mistaken or a key mistyped."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from forensics.errors import InputError, Problem
from forensics.rules.files import FOLDER, read_toml


@dataclass(frozen=True, slots=True)
class Range:
    """A closed range with its unit and where it comes from."""

    low: float
    high: float
    unit: str
    basis: str

    def fault(self, value: float) -> str:
        """Why a number can't be meant; empty where it can."""
        if not math.isfinite(value):
            return f"{value} is not a finite number"
        if self.low <= value <= self.high:
            return ""
        return f"{value:g} is not between {self.low:g} and {self.high:g} {self.unit}".rstrip() + ": check its unit"


@cache
def plausible() -> Mapping[str, Range]:
    """Every range of ``rules/plausible.toml`` by the key of the case file, or the kind of number, that it is for."""
    tables = read_toml(FOLDER / "plausible.toml")
    keys = {"low", "high", "unit", "kind", "basis"}
    odd = [name for name, table in tables.items() if not isinstance(table, dict) or set(table) != keys]
    if odd:
        remedy = f"A range is a table with {', '.join(sorted(keys))}."
        raise InputError(
            [Problem("needs exactly its keys", file="plausible.toml", column=n, remedy=remedy) for n in odd]
        )
    return {
        name: Range(float(table["low"]), float(table["high"]), str(table["unit"]), str(table["basis"]))
        for name, table in tables.items()
    }
