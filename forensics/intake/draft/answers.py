"""Answers that are known when a case is drafted: zone, refrigerant, failure, units, and a machine that is alike.

They are written into the text of a draft, in place of its questions. Keys that change findings and that nobody asked
about stand in it as comments, with their defaults.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from forensics.case.read import check_case
from forensics.case.values import check_zone
from forensics.errors import InputError, Problem
from forensics.intake.draft.draft import UNIT_ASKED
from forensics.intake.draft.offered import offered_at_end, offered_inside
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role

QUESTION = "# QUESTION: "
SCHEMA_NAME = "case.schema.json"
# inch-pound practice: panels and trends show gauge pressures (common practice, no published source)
_UNITS = {
    "inch-pound": {
        Dimension.PRESSURE: "psig",
        Dimension.PRESSURE_DIFFERENCE: "psi",
        Dimension.TEMPERATURE: "degF",
    },
    "si": {Dimension.TEMPERATURE: "degC"},
}
_EVERYWHERE = {Dimension.CURRENT: "A", Dimension.VOLTAGE: "V", Dimension.FRACTION: "%", Dimension.FREQUENCY: "Hz"}
_UNBOUND = re.compile(r'^# column = ("(?:[^"\\]|\\.)*")')
_OF = re.compile(r"^# columns of (.*) that no role is written for$")
_KEY = re.compile(r"^(?:# )?([a-z_]+) = ")
_WORDS = ("recorded", "hold", "range", "accuracy", "on", "off", "unknown")


@dataclass(frozen=True)
class Answers:
    """What is known beforehand; empty where it is not.

    Attributes
    ----------
    units
        ``si`` or ``inch-pound``: units of the display, and of every kind of point that a question stands for.
    like
        Case file of a machine that is alike: roles, units and words of its columns are taken.
    """

    zone: str = ""
    refrigerant: str = ""
    failure: str = ""
    units: str = ""
    like: Path | None = None

    def check(self) -> None:
        """Refuse answers that can't be written.

        Raises
        ------
        InputError
            A zone or time that is none, or units that are neither: all at once.
        """
        problems = []
        if self.zone:
            try:
                check_zone(self.zone)
            except ValueError as fault:
                problems.append(Problem(str(fault), column="--zone", remedy="Write for example America/Chicago."))
        if self.failure and not _is_stamp(self.failure):
            remedy = "Write for example 2031-03-14T05:12:30."
            problems.append(Problem(f"'{self.failure}' is no time", column="--failure", remedy=remedy))
        if self.units and self.units not in _UNITS:
            problems.append(Problem(f"'{self.units}' is neither si nor inch-pound", column="--units"))
        if problems:
            raise InputError(problems)


def _is_stamp(text: str) -> bool:
    from datetime import datetime

    try:
        return isinstance(tomllib.loads(f"t = {text}")["t"], datetime)
    except (tomllib.TOMLDecodeError, ValueError):
        return False


def answered(text: str, answers: Answers, *, schema: bool = False) -> str:
    """The draft with its answers, its commented keys and, where asked for, the name of the schema in its first line.

    Raises
    ------
    InputError
        The answers can't be written, or the machine that is alike can't be read.
    """
    answers.check()
    sister = _sister(answers.like)
    blocks = [_answered(block, answers, sister) for block in _blocks(text)]
    lines = [f"#:schema {SCHEMA_NAME}"] if schema else []
    lines += [line for block in blocks for line in block]
    made = "\n".join(lines).rstrip("\n") + "\n" + "\n".join(offered_at_end()) + "\n"
    check_case(tomllib.loads(made))
    return made


def _blocks(text: str) -> Iterator[list[str]]:
    """Lines of a draft, a table at a time; what stands above the first one alone."""
    block: list[str] = []
    for line in text.splitlines():
        if line.startswith("["):
            yield block
            block = []
        block.append(line)
    yield block


def _answered(block: list[str], answers: Answers, sister: dict[str, dict[str, Any]]) -> list[str]:
    head = block[0].strip("[]") if block and block[0].startswith("[") else ""
    given: dict[str, str] = {}
    if head == "case":
        given = {"time_zone": _quoted(answers.zone), "failure": answers.failure, "display": _quoted(answers.units)}
    elif head == "machine":
        given = {"refrigerant": _quoted(answers.refrigerant)}
    elif head == "point":
        given = _point(block, answers, sister)
    block = [_unit_told(line, answers) for line in block]
    made = _with({key: value for key, value in given.items() if value}, block)
    own, rest = _own(made)
    have = {match[1] for line in own if (match := _KEY.match(line)) is not None}
    return [*own, *offered_inside(head, have), *_bound(rest, sister)]


def _unit_told(line: str, answers: Answers) -> str:
    """The question for the units of a kind; where they are told for all of the kind, what they are taken as."""
    if not line.startswith(QUESTION + UNIT_ASKED):
        return line
    kind, names = line.removeprefix(QUESTION + UNIT_ASKED).split(" (", 1)
    unit = _units(answers).get(Dimension(kind))
    told = names.rpartition(")")[0].partition(");")[0]
    return line if unit is None else f"# each {kind} whose unit no export tells is taken as {unit}: {told}"


def _units(answers: Answers) -> dict[Dimension, str]:
    return _EVERYWHERE | _UNITS[answers.units] if answers.units else {}


def _own(block: Sequence[str]) -> tuple[list[str], list[str]]:
    """Lines of the table itself, and what follows it: an empty line, or words on columns without a role."""
    for place, line in enumerate(block):
        if place and (not line or line.startswith(("# columns of ", "# points of "))):
            return list(block[:place]), list(block[place:])
    return list(block), []


def _with(given: dict[str, str], block: Sequence[str]) -> list[str]:
    """Lines with keys answered; the question that stands above or below an answered key goes."""
    lines = list(block)
    for key, value in given.items():
        places = [n for n, line in enumerate(lines) if (m := _KEY.match(line)) is not None and m[1] == key]
        if not places:
            lines.insert(1, f"{key} = {value}")
            continue
        at = places[0]
        lines[at] = f"{key} = {value}"
        if key in ("unit", "role"):
            below = at + 1
            while below < len(lines) and key == "unit" and lines[below].startswith(QUESTION):
                del lines[below]
        elif lines[at - 1].startswith(QUESTION) and key != "display":
            del lines[at - 1]
    return lines


def _point(block: Sequence[str], answers: Answers, sister: dict[str, dict[str, Any]]) -> dict[str, str]:
    told = tomllib.loads("\n".join(block).replace("[[point]]", "[point]", 1))["point"]
    like = sister.get(told["column"])
    if like is not None:
        return _of(like)
    facts = ROLE_FACTS[Role(told["role"])]
    unit = _units(answers).get(facts.dimension, "")
    asked = "unit" not in told and facts.dimension is not Dimension.STATE
    return {"unit": _quoted(unit)} if asked and unit else {}


def _of(like: dict[str, Any]) -> dict[str, str]:
    keys = {key: _value(like[key]) for key in _WORDS if like.get(key)}
    return {"role": _quoted(like["role"]), "unit": _quoted(like.get("unit", "")), **keys}


def _bound(lines: Sequence[str], sister: dict[str, dict[str, Any]]) -> list[str]:
    """What follows a table, with points for columns that the machine that is alike has a role for."""
    made: list[str] = []
    points: list[str] = []
    source = ""
    for line in lines:
        of = _OF.match(line)
        source = of[1] if of is not None else source
        found = _UNBOUND.match(line)
        column = json.loads(found[1]) if found is not None else None
        if column in sister and source:
            keys = {key: value for key, value in _of(sister[column]).items() if value}
            points += ["[[point]]", f"column = {_quoted(column)}", f"source = {_quoted(source)}"]
            points += [f"{key} = {value}" for key, value in keys.items()]
            continue
        made.append(line)
    return [*made, *points]


def _sister(like: Path | None) -> dict[str, dict[str, Any]]:
    """Points of a machine that is alike, by their columns; a column that has two roles there is left out."""
    if like is None:
        return {}
    from forensics.case.read import read_case_file, toml_data
    from forensics.model.paths import CASE_FILE_BYTES, read_regular

    read_case_file(like)
    data, _ = toml_data(read_regular(like, CASE_FILE_BYTES), like.name)
    by_column: dict[str, list[dict[str, Any]]] = {}
    for point in data.get("point", []):
        by_column.setdefault(point["column"], []).append(point)
    return {column: points[0] for column, points in by_column.items() if len(points) == 1}


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False) if text else ""


def _value(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_value(item) for item in value)}]"
    return json.dumps(value, ensure_ascii=False)
