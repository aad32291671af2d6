"""Strict reading of the rules: limits with their sources, the catalogue of checks, sequence profiles.

Code knows how to look; these files know how much is too much and where the number comes from.
"""

from __future__ import annotations

import hashlib
import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from forensics.errors import InputError, Problem
from forensics.model.vocabulary import Recorded, Role

FOLDER = Path(__file__).resolve().parent

UNITS = frozenset(
    {"%", "%/min", "%/s", "1", "1/h", "1/s", "A", "Hz", "Hz/s", "K", "K/s", "V", "degC"}
    | {"h", "kPa", "kW", "min", "mm/s", "ppm", "rpm", "s"}
)
"""Units that a limit may be given in."""

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
    """

    name: str
    value: float
    unit: str
    basis: str
    kind: str
    default: float


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

    def replaced(self, values: Mapping[str, tuple[float, str]]) -> Limits:
        """Limits with some values replaced by the case: ``name -> (value, source)``.

        Raises
        ------
        InputError
            A name is not a limit; the nearest names are given.
        """
        import difflib

        problems = []
        new = dict(self._limits)
        for name, (value, source) in values.items():
            if name not in new:
                near = ", ".join(difflib.get_close_matches(name, list(new), n=3)) or "none is near"
                problems.append(Problem(f"'{name}' is not a limit (nearest: {near})", file="case.toml", column="limit"))
                continue
            old = new[name]
            new[name] = Limit(name, value, old.unit, source, "site", old.default)
        if problems:
            raise InputError(problems)
        return Limits(new)

    def scaled(self, name: str, factor: float) -> Limits:
        """The same limits with one multiplied: for the robustness table."""
        old = self._limits[name]
        return Limits(
            {**self._limits, name: Limit(name, old.value * factor, old.unit, old.basis, old.kind, old.default)}
        )


def read_toml(path: Path) -> dict[str, Any]:
    """Read a rules file; a fault names the file and the line."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as fault:
        raise InputError([Problem(f"can't be read: {fault}", file=path.name)]) from None


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


@dataclass(frozen=True, slots=True)
class Need:
    """One point that a check needs.

    Attributes
    ----------
    roles
        Any one of these satisfies the need.
    longest_interval_s
        Longest sample interval with which the check still sees its effect; None: any.
    recorded
        Record types that will do; empty: any.
    """

    roles: tuple[Role, ...]
    longest_interval_s: float | None = None
    recorded: tuple[Recorded, ...] = ()


@dataclass(frozen=True, slots=True)
class Check:
    """A line of the catalogue of signatures."""

    id: str
    title: str
    present: str
    needs: tuple[Need, ...]
    source: str

    @property
    def family(self) -> str:
        """The part before the dot."""
        return self.id.partition(".")[0]


@cache
def read_checks() -> Mapping[str, Check]:
    """The catalogue: ``rules/checks/*.toml``, a file a family, a table a check.

    Each table has ``title``, ``present`` (what *present* means, in words), ``source`` (of the method) and
    ``needs``: a list of tables with ``roles`` (any of), ``longest_interval_s`` and ``recorded``.
    """
    checks: dict[str, Check] = {}
    problems: list[Problem] = []
    for path in sorted((FOLDER / "checks").glob("*.toml")):
        for name, table in read_toml(path).items():
            faults = _check_faults(table)
            if faults:
                problems += [Problem(fault, file=f"checks/{path.name}", column=name) for fault in faults]
                continue
            needs = tuple(
                Need(
                    tuple(Role(role) for role in need["roles"]),
                    need.get("longest_interval_s"),
                    tuple(Recorded(kind) for kind in need.get("recorded", ())),
                )
                for need in table["needs"]
            )
            full = f"{path.stem}.{name}"
            checks[full] = Check(full, table["title"], table["present"], needs, table["source"])
    if problems:
        raise InputError(problems)
    return checks


def _check_faults(table: object) -> list[str]:
    keys = {"title", "present", "needs", "source"}
    if not isinstance(table, dict):
        return [f"a check is a table with {', '.join(sorted(keys))}"]
    if set(table) != keys:
        return [f"unknown keys {sorted(set(table) - keys)}, missing keys {sorted(keys - set(table))}"]
    faults = [f"{key} must be words" for key in ("title", "present", "source") if not _is_words(table[key])]
    needs = table["needs"]
    if not isinstance(needs, list):
        return [*faults, "needs is a list of tables"]
    return [*faults, *(fault for need in needs for fault in _need_faults(need))]


def _need_faults(need: object) -> list[str]:
    if not isinstance(need, dict) or not need.get("roles"):
        return ["a need is a table with roles, and longest_interval_s and recorded where they matter"]
    unknown = sorted(set(need) - {"roles", "longest_interval_s", "recorded"})
    faults = [f"unknown key '{key}' of a need" for key in unknown]
    faults += [f"'{role}' is not a role" for role in need["roles"] if role not in list(Role)]
    faults += [f"'{kind}' is not a record type" for kind in need.get("recorded", ()) if kind not in list(Recorded)]
    longest = need.get("longest_interval_s", 1.0)
    if isinstance(longest, bool) or not isinstance(longest, int | float) or not longest > 0:
        faults.append("longest_interval_s must be a number of seconds above 0")
    return faults


def _is_words(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())


def rules_sha256() -> str:
    """SHA-256 over every rules file, names included, so that a verdict says which rules it stands on."""
    digest = hashlib.sha256()
    for path in sorted(p for p in FOLDER.rglob("*") if p.suffix in {".toml", ".csv"}):
        digest.update(path.relative_to(FOLDER).as_posix().encode())
        digest.update(b"\0")
        digest.update(path.read_bytes())
        digest.update(b"\0")
    return digest.hexdigest()
