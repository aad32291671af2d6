"""Which refrigerant a case means and its saturation: dew for superheat, bubble for subcooling.

A name is taken only as ASHRAE 34 spells it or by a listed alias; a like-named fluid never is. Where there is no data
the reason is said, and what rests on saturation cannot be told.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from pydantic import RootModel

from forensics.refrigerants.properties import INSTALL, PropertyTable, compute, knows, library_version
from forensics.refrigerants.saturation import SaturationCurve, read_saturation_table
from forensics.rules import FOLDER
from forensics.rules.strict import Form, read_form

TABLES = "saturation"
_FIRST = ("R134a", "R22", "R407C", "R404A", "R410A")
_PREFIX = re.compile(r"^(?:HCFC|HCFO|HFC|HFO|CFC|HC|R)(?=\d)")

__all__ = [
    "Refrigerant",
    "SaturationCurve",
    "find_refrigerant",
    "known_refrigerants",
    "read_saturation_table",
    "saturation_for",
]


@dataclass(frozen=True, slots=True)
class Refrigerant:
    """One line of ``rules/refrigerants.toml``."""

    name: str
    library: str
    aliases: tuple[str, ...]


class _Entry(Form):
    library: str
    aliases: tuple[str, ...]


class _File(RootModel[dict[str, _Entry]]):
    pass


@cache
def known_refrigerants() -> Mapping[str, Refrigerant]:
    """Refrigerants whose tables ship, by designation."""
    table = read_form(_File, FOLDER / "refrigerants.toml").root
    return {name: Refrigerant(name, entry.library, entry.aliases) for name, entry in table.items()}


def _key(text: str) -> str:
    """Spelling without what never matters: case, spaces, dashes, the letters before the number."""
    return _PREFIX.sub("", re.sub(r"[\s\-_().]", "", text).upper())


@cache
def _keys() -> Mapping[str, str]:
    return {_key(spelling): r.name for r in known_refrigerants().values() for spelling in (r.name, *r.aliases)}


def find_refrigerant(text: str) -> Refrigerant | None:
    """The refrigerant that a name means, or None: never the nearest name.

    ``r134a``, ``R-134a``, ``R 134 A`` and ``HFC-134a`` are one; ``R134`` and ``R13`` are not it.
    """
    name = _keys().get(_key(text))
    return None if name is None else known_refrigerants()[name]


def saturation_for(refrigerant: str, saturation_table: str, folder: Path) -> tuple[SaturationCurve | None, str]:
    """Find the saturation data of a case.

    Parameters
    ----------
    refrigerant
        As the case file gives it.
    saturation_table
        Path of a table relative to ``folder``, or empty. It is used wherever it is given.
    folder
        Folder of the case file.

    Returns
    -------
    curve, why_not
        The curve; or None and why there is none, with what to do.

    Raises
    ------
    InputError
        The table that the case names can't be used; every fault is listed.
    """
    if saturation_table:
        return read_saturation_table(folder, saturation_table), ""
    found = find_refrigerant(refrigerant)
    if found is not None:
        return _shipped(found.name), ""
    curve = _from_library(refrigerant)
    if curve is not None:
        return curve, ""
    others = [name for name in known_refrigerants() if name not in _FIRST]
    names = ", ".join([*_FIRST, *others])
    library = library_version()
    where = f" or in the installed property library ({library})" if library else ""
    more = "" if library else f" A property library knows more and is not installed: {INSTALL}."
    return None, (
        f"Refrigerant '{refrigerant}' has no dew/bubble data in the tables that ship{where}.{more} "
        "Superheat and subcooling are left out. You may give a table of pressure, bubble and dew temperature "
        f"(CSV, machine.saturation_table), or one of: {names}."
    )


@cache
def _shipped(name: str) -> SaturationCurve:
    path = FOLDER / TABLES / f"{name}.csv"
    numbers = np.loadtxt(path, delimiter=",", skiprows=2, ndmin=2)
    with path.open(encoding="utf-8") as lines:
        origin = lines.readline().lstrip("# ").split(";")[1].strip()
    return SaturationCurve(name, PropertyTable(numbers[:, 0], numbers[:, 1], numbers[:, 2], numbers[:, 3:], origin))


@cache
def _from_library(refrigerant: str) -> SaturationCurve | None:
    """A refrigerant without a shipped table, computed when the library has it under its exact designation."""
    number = _key(refrigerant)
    if not re.fullmatch(r"\d{2,4}[A-Z]{0,2}(\d|[A-Z])?", number):
        return None
    digits = re.match(r"\d+", number)
    if digits is None:
        return None
    letters = number[digits.end() :]
    for name in (f"R{digits[0]}{letters}", f"R{digits[0]}{letters.lower()}", f"R{number}.mix"):
        if knows(name):
            try:
                return SaturationCurve(f"R{number}", compute(name))
            except ValueError:
                return None
    return None
