"""Writes a drafted case file: what was found as keys, what is open as comments that begin with QUESTION."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from forensics.errors import Problem, Severity
from forensics.intake.draft.inspect import PLACE_ZONE, Column, Preview
from forensics.intake.draft.suggest import Suggestion
from forensics.intake.result import STATES_OF, UNIT_OF, SourceResult
from forensics.model.points import iso
from forensics.model.units import needs_datum, read_unit
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role, is_switch

_MARK = "# QUESTION: "
_WIDTH = 150
_SHOWN = 60
_TEXTS = 40
UNIT_ASKED = "in which unit is each "
_ANSWERS = ("date_order", "time_number", "time_zone", "time_column", "waveform_time", "sheet")


@dataclass(slots=True)
class Choice:
    """A column with what its name suggests, and whether that is written down."""

    column: Column
    found: tuple[Suggestion, ...]
    bound: bool = False


@dataclass(slots=True)
class Part:
    """One export of the draft, or several that are the files of one logger: their path is then a pattern."""

    look: Preview
    files: tuple[Path, ...] = ()
    choices: list[Choice] = field(default_factory=list)
    reading: SourceResult | None = None
    problems: list[Problem] = field(default_factory=list)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str, mark: str = "# ") -> str:
    clean = re.sub(r"[\x00-\x1f\x7f]+", " ", text).strip()
    return mark + (clean if len(clean) <= 4 * _WIDTH else clean[: 4 * _WIDTH] + " …")


def _toml(key: str, value: Any) -> str:
    if isinstance(value, list):
        return f"{key} = [{', '.join(_quoted(item) for item in value)}]"
    return f"{key} = {_quoted(value)}"


def write_draft(parts: list[Part], base: Path, folder: Path, out: Path | None) -> str:
    """The draft as TOML text."""
    lines = [
        "# Draft of a case file. Roles are suggestions from names, with a score from 0 to 1: confirm each of them.",
        "# What begins with QUESTION is open: check says what each costs, and which must be answered first.",
        "schema = 1",
        "",
        *_case_lines(parts, folder, out),
        "",
        *_machine_lines(parts),
    ]
    for part in parts:
        lines += ["", *_source_lines(part, folder)]
    for part in parts:
        lines += ["", *_point_lines(part, folder)] if part.choices else []
    return "\n".join(lines) + "\n"


def _case_lines(parts: list[Part], folder: Path, out: Path | None) -> list[str]:
    name = out.stem if out is not None and out.stem != "case" else folder.name
    lines = [
        "[case]",
        _toml("id", re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-") or "draft"),
        _toml("title", "Draft: answer the questions in this file"),
        'site = ""',
        'machine_tag = ""',
        _comment("the zone of stamps that carry none, as an IANA name; UTC is a placeholder", _MARK),
        _toml("time_zone", PLACE_ZONE),
    ]
    trip = any(choice.bound and choice.found[0].role is Role.TRIP for part in parts for choice in part.choices)
    last = [part.reading.last_ns for part in parts if part.reading is not None and part.reading.last_ns is not None]
    if trip:
        lines.append(_comment("when did it fail? Without failure the last trip found is taken", _MARK))
        lines.append("# failure = 2031-03-14T05:12:30")
    elif last:
        lines.append(_comment("when did it fail? The last stamp of the exports stands here as a placeholder", _MARK))
        stamp = datetime.fromisoformat(iso(max(last)).replace("Z", "+00:00"))
        lines.append(f"failure = {stamp.strftime('%Y-%m-%dT%H:%M:%SZ')}")
    else:
        lines.append(_comment("when did it fail? failure = 2031-03-14T05:12:30", _MARK))
    lines.append('display = "si"')
    return lines


def _machine_lines(parts: list[Part]) -> list[str]:
    gauge = any(
        (unit := read_unit(choice.column.unit)) is not None and unit.datum.value != "absolute"
        for part in parts
        for choice in part.choices
        if choice.bound and "pressure" in choice.found[0].role.value and choice.column.unit
    )
    lines = [
        "[machine]",
        _comment("which refrigerant (ASHRAE 34 designation, from the nameplate)?", _MARK),
        'refrigerant = ""',
        _comment(
            "nameplate values; without rated_load_amps no start can be told loaded from unloaded by its ratio; with "
            "no_load_amps (data sheet of the motor) its shaft load is told too, and motor_power serves",
            _MARK,
        ),
        "# rated_load_amps = 0.0",
        "# no_load_amps = 0.0",
        "# locked_rotor_amps = 0.0",
        "# supply_volts = 0.0",
        "# supply_hertz = 60.0",
        _comment("across-the-line, star-delta, part-winding, soft-start or variable-speed?", _MARK),
        '# starter = "star-delta"',
    ]
    if gauge:
        lines.append(_comment("gauge pressures need the height of the site or its air pressure", _MARK))
    lines += ["# altitude_m = 0.0", "# air_pressure_kpa = 101.325"]
    lines += [
        _comment("do the valves follow this sequence, and has their polarity been checked on this machine?", _MARK),
        'sequence = "pulsed-slide-bypass"',
        "sequence_confirmed = false",
    ]
    return lines


def _path_of(part: Part, folder: Path) -> tuple[str, bool]:
    """Path as the case file gives it, and whether the export lies in its folder."""
    if part.look.file.is_relative_to(folder):
        name = PurePosixPath(part.look.path).name
        return part.look.file.relative_to(folder).with_name(name).as_posix(), True
    return part.look.path, False


def _source_lines(part: Part, folder: Path) -> list[str]:
    path, inside = _path_of(part, folder)
    lines = ["[[source]]"]
    if not inside:
        lines.append(_comment(f"this export lies outside the folder of the case file: put it there as {path}", _MARK))
    lines.append(_toml("path", path))
    if len(part.files) > 1:
        lines.append(_comment(f"{len(part.files)} files with the same columns, read as the files of one logger"))
    lines.append(_comment("which clock stamps this export? Sources that share a clock get the same name", _MARK))
    lines.append('# clock = "controller"')
    if part.look.problem is not None:
        lines.append(_comment(f"this export can't be read: {_said(part.look.problem)}", _MARK))
    bound = {choice.column.name for choice in part.choices if choice.bound}
    for problem in part.problems:
        if problem.column not in bound or problem.severity is Severity.STOP:
            mark = "# NOTE: " if problem.severity is Severity.NOTE else _MARK
            lines.append(_comment(_said(problem), mark))
            lines += [f'# {key} = ""' for key in _ANSWERS if key in problem.remedy and key not in part.look.keys]
    lines += [_toml(key, value) for key, value in keys_of(part).items()]
    if part.look.texts:
        column = _quoted(part.look.keys.get("text_column", ""))
        lines.append(
            _comment(f"which of these texts mean a trip, a start, a stop? Bind a point with column = {column}", _MARK)
        )
        lines.append(_comment("and list whole texts in its on and off", "#           "))
        lines += [_comment(f"text: {_quoted(text[:_WIDTH])}") for text in part.look.texts[:_TEXTS]]
    if part.reading is not None:
        accounting = part.reading.accounting
        aside = ", ".join(f"{count} {reason}" for reason, count in accounting.set_aside.items())
        lines.append(
            _comment(f"{accounting.rows_read} rows read, {accounting.rows_kept} kept; set aside: {aside or 'none'}")
        )
        if part.reading.first_ns is not None and part.reading.last_ns is not None:
            lines.append(
                _comment(f"from {iso(part.reading.first_ns)} to {iso(part.reading.last_ns)} if the zone is right")
            )
        for found in part.reading.detections:
            if not found.what.startswith((UNIT_OF, STATES_OF)):
                lines.append(_comment(f"detected: {found.what} = {found.value} ({found.evidence})"))
        lines += [_comment(note, "# NOTE: ") for note in part.reading.notes]
    return lines


def _said(problem: Problem) -> str:
    place = f"line {problem.row}: " if problem.row is not None else ""
    column = f"column '{problem.column}': " if problem.column else ""
    return f"{place}{column}{problem.what} {problem.remedy}".strip()


def _point_lines(part: Part, folder: Path) -> list[str]:
    path, _ = _path_of(part, folder)
    lines = [_comment(f"points of {path}"), *_unit_questions(part)]
    for choice in part.choices:
        if choice.bound:
            lines += _bound_lines(part, choice, path)
    rest = [choice for choice in part.choices if not choice.bound]
    if rest:
        lines.append(_comment(f"columns of {path} that no role is written for"))
    for choice in rest:
        likely = ", ".join(f"{one.role.value} {one.score:.2f}" for one in choice.found[:3])
        shown = ", ".join(text[:_SHOWN] for text in choice.column.examples[:3])
        unit = f", unit {choice.column.unit}" if choice.column.unit else ""
        lines.append(_comment(f"column = {_quoted(choice.column.name)}{unit}; cells: {shown or 'none'}"))
        if likely:
            lines.append(_comment(f"is '{choice.column.name}' one of: {likely}?", _MARK))
    return lines


def _unit_questions(part: Part) -> list[str]:
    """One question for all units of a kind that are open."""
    open_units: dict[str, list[str]] = {}
    for choice in part.choices:
        role = choice.found[0].role if choice.found else None
        if not choice.bound or role is None or is_switch(role) or settled_unit(choice):
            continue
        if read_unit(_detected(part, f"{UNIT_OF}{choice.column.name}")) is None:
            open_units.setdefault(ROLE_FACTS[role].dimension.value, []).append(choice.column.name)
    return [
        _comment(
            f"{UNIT_ASKED}{kind} ({', '.join(names)})"
            f"{'; say gauge or absolute: kPag, psia' if kind == Dimension.PRESSURE.value else ''}?",
            _MARK,
        )
        for kind, names in open_units.items()
    ]


def _bound_lines(part: Part, choice: Choice, path: str) -> list[str]:
    role, column = choice.found[0].role, choice.column
    others = ", ".join(f"{one.role.value} {one.score:.2f}" for one in choice.found[1:3])
    lines = [
        "[[point]]",
        f"{_toml('role', role.value)} # score {choice.found[0].score:.2f}{'; then ' + others if others else ''}",
        _toml("column", column.name),
        _toml("source", path),
    ]
    if is_switch(role):
        seen = _detected(part, f"{STATES_OF}{column.name}")
        lines.append(_comment(f"states seen: {seen or ', '.join(text[:_SHOWN] for text in column.examples) or 'none'}"))
    elif settled_unit(choice):
        lines.append(_toml("unit", column.unit))
    else:
        found = _detected(part, f"{UNIT_OF}{column.name}")
        lines.append(_toml("unit", found) if read_unit(found) is not None else '# unit = ""')
    asked = [
        _comment(f"{problem.what} {problem.remedy}", _MARK)
        for problem in part.problems
        if problem.column == column.name and problem.severity is Severity.POINT and problem.kind != "unit"
    ]
    lines += asked
    if role is Role.DISCHARGE_PRESSURE:
        lines.append(_comment("is it taken before the check valve? After it, the role is condenser_pressure", _MARK))
    return lines


def _detected(part: Part, what: str) -> str:
    found = part.reading.detections if part.reading is not None else ()
    return next((one.value for one in found if one.what == what), "")


def keys_of(part: Part) -> dict[str, Any]:
    """Keys of a source that its export settles."""
    keys: dict[str, Any] = dict(part.look.keys)
    if "\t" in keys.get("time_column", ""):
        keys["time_column"] = keys["time_column"].split("\t")
    return keys


def settled_unit(choice: Choice) -> bool:
    """Whether the unit of a column is known, and needs no more."""
    role = choice.found[0].role
    unit = read_unit(choice.column.unit) if choice.column.unit else None
    return unit is not None and not is_switch(role) and not needs_datum(unit, role)
