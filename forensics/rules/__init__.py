"""Strict reading of the rules: limits with their sources, the catalogue of checks, sequence profiles.

Code knows how to look; these files know how much is too much and where the number comes from.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.rules.checks import Check, Need, read_checks
from forensics.rules.files import FOLDER, read_toml

__all__ = [
    "FOLDER",
    "UNITS",
    "Check",
    "Limit",
    "Limits",
    "Need",
    "read_checks",
    "read_limits",
    "read_toml",
    "rules_sha256",
]

UNITS = frozenset(
    {"%", "%/min", "%/s", "1", "1/h", "1/s", "A", "Hz", "Hz/s", "K", "K/s", "V", "degC"}
    | {"h", "kPa", "kW", "min", "mm/s", "ppm", "rpm", "s"}
)
"""Units that a limit may be given in."""

_SHOWN, _MOST_HINTS = 60, 50
_BASES = ("nameplate", "site", "standard", "common practice", "physics", "estimate")


@dataclass(frozen=True, slots=True)
class Limit:
    """A number with a meaning.

    Attributes
    ----------
    basis
        Where the number comes from, in words that the report prints.
    kind
        ``nameplate``, ``site``, ``standard``, ``common practice``, ``physics`` or ``estimate``.
    default
        The value that ships, kept when the case replaces it.
    given_by
        Who replaced it: ``case`` or ``run``; empty for one that ships.
    """

    name: str
    value: float
    unit: str
    basis: str
    kind: str
    default: float
    given_by: str = ""


class Limits:
    """Limits by name, ``family.name``; asking for one that does not exist is a programming error (KeyError)."""

    def __init__(self, limits: Mapping[str, Limit]) -> None:
        self._limits = dict(limits)

    def __getitem__(self, name: str) -> float:
        return self._limits[name].value

    def __contains__(self, name: object) -> bool:
        return name in self._limits

    def __iter__(self) -> Iterator[str]:
        return iter(self._limits)

    def count(self, name: str, *, least: int = 1) -> int:
        """A limit that counts something, as a whole number; a case may set it to less than can be counted."""
        return max(int(self._limits[name].value), least)

    def limit(self, name: str) -> Limit:
        """The whole limit, with its basis."""
        return self._limits[name]

    def basis(self, name: str) -> str:
        """Words for the report: kind and source of a limit."""
        limit = self._limits[name]
        return limit.basis if limit.kind != "site" and limit.kind in limit.basis else f"{limit.kind}: {limit.basis}"

    @property
    def overridden(self) -> tuple[Limit, ...]:
        """Limits that the case replaced."""
        return tuple(limit for limit in self._limits.values() if limit.kind == "site")

    def replaced(self, values: Mapping[str, tuple[float, str]], *, given_by: str = "case", file: str = "") -> Limits:
        """Limits with some values replaced by the case or for a run: ``name -> (value, source)``.

        ``file`` is the name of the case file that gives them, for what is said of a wrong one.

        Raises
        ------
        InputError
            A name is not a limit; the nearest names are given.
        """
        import difflib

        problems: list[Problem] = []
        new = dict(self._limits)
        for name, (value, source) in values.items():
            if name not in new:
                if len(problems) == _MOST_HINTS:
                    break  # each look for near names goes through all limits
                near = ", ".join(difflib.get_close_matches(name[:_SHOWN], list(new), n=3)) or "none is near"
                problems.append(
                    Problem(f"'{name[:_SHOWN]}' is not a limit (nearest: {near})", file=file, column="limit")
                )
                continue
            old = new[name]
            fault = _value_fault(value, old)
            if fault:
                problems.append(Problem(f"'{name}': {fault}", file=file, column="limit"))
                continue
            new[name] = Limit(
                name=name, value=value, unit=old.unit, basis=source, kind="site", default=old.default, given_by=given_by
            )
        if problems:
            raise InputError(problems)
        return Limits(new)

    def scaled(self, name: str, factor: float) -> Limits:
        """The same limits with one multiplied: for the robustness table."""
        old = self._limits[name]
        return Limits({**self._limits, name: replace(old, value=old.value * factor)})


def _value_fault(value: float, old: Limit) -> str:
    """Why a value can't stand in place of a limit: no number, or so far off that it is in another unit."""
    from forensics.rules.plausible import plausible

    if not math.isfinite(value):
        return f"{value} is not a finite number"
    factor = plausible()["limit_factor"]
    if old.default > 0.0:
        low, high = old.default * factor.low, old.default * factor.high
    else:
        low, high = -(1.0 - old.default) * factor.high, (1.0 - old.default) * factor.high
    if low <= value <= high:
        return ""
    return f"{value:g} is not between {low:g} and {high:g} {old.unit}, the default is {old.default:g}: check its unit"


@cache
def read_limits() -> Limits:
    """All limits of ``rules/limits/*.toml``: a table a family, a table a limit, each with unit, kind and basis."""
    limits: dict[str, Limit] = {}
    problems: list[Problem] = []
    for path in sorted((FOLDER / "limits").glob("*.toml")):
        for name, table in read_toml(path).items():
            full = f"{path.stem}.{name}"
            fault = _limit_fault(table)
            if fault:
                problems.append(Problem(fault, file=f"limits/{path.name}", column=name))
                continue
            limits[full] = Limit(
                full, float(table["value"]), table["unit"], table["basis"], table["kind"], float(table["value"])
            )
    if problems:
        raise InputError(problems)
    return Limits(limits)


def _limit_fault(table: object) -> str:
    if not isinstance(table, dict):
        return "a limit is a table with value, unit, kind and basis"
    unknown = set(table) - {"value", "unit", "kind", "basis", "note"}
    if unknown:
        return f"unknown key {', '.join(sorted(unknown))}"
    missing = {"value", "unit", "kind", "basis"} - set(table)
    if missing:
        return f"missing {', '.join(sorted(missing))}"
    if table["unit"] not in UNITS:
        return f"unit '{table['unit']}' is not one of: {', '.join(sorted(UNITS))}"
    if table["kind"] not in _BASES:
        return f"kind must be one of {', '.join(_BASES)}"
    if not isinstance(table["basis"], str) or not table["basis"].strip():
        return "basis is empty: say where the number comes from"
    if isinstance(table["value"], bool) or not isinstance(table["value"], int | float):
        return "value must be a number"
    if not math.isfinite(table["value"]):
        return "value must be a finite number"
    return ""


def rules_sha256(folder: Path = FOLDER) -> str:
    """SHA-256 over every rules file, names included, so that a verdict says which rules it stands on.

    Parameters
    ----------
    folder
        Of the rules; by default those that ship.
    """
    digest = hashlib.sha256()
    for path in sorted(p for p in folder.rglob("*") if p.suffix in {".toml", ".csv"}):
        digest.update(path.relative_to(folder).as_posix().encode())
        digest.update(b"\0")
        digest.update(path.read_bytes())
        digest.update(b"\0")
    return digest.hexdigest()
