"""Drafts a case file from exports: sources, columns, units and suggested roles; every open question is a comment.

The draft is read once as ``check`` reads it, so that each question it asks is the one the case would be stopped with.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from forensics.case.read import check_case
from forensics.errors import InputError, Problem, Problems, Severity
from forensics.intake.draft.group_files import as_one, one_logger
from forensics.intake.draft.inspect import PLACE_ZONE, Column, Preview, look_at
from forensics.intake.draft.suggest import Suggestion, is_clear, shared_words, suggest
from forensics.intake.read import read_sources
from forensics.intake.result import STATES_OF, UNIT_OF, Accounting, SourceResult
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
class _Choice:
    """A column with what its name suggests, and whether that is written down."""

    column: Column
    found: tuple[Suggestion, ...]
    bound: bool = False


@dataclass(slots=True)
class _Part:
    """One export of the draft, or several that are the files of one logger: their path is then a pattern."""

    look: Preview
    files: tuple[Path, ...] = ()
    choices: list[_Choice] = field(default_factory=list)
    reading: SourceResult | None = None
    problems: list[Problem] = field(default_factory=list)


def draft_case(exports: Sequence[Path], out: Path | None = None) -> str:
    """Draft a case file.

    Parameters
    ----------
    exports
        The exports, in the order in which the case file will list them; a waveform record by its .cfg file.
    out
        Where the case file will stand: paths in it are relative to that folder. Without it, to the folder that holds
        all exports.

    Returns
    -------
    str
        TOML text that ``check`` accepts as it is; what is open stands in comments that begin with QUESTION.

    Raises
    ------
    InputError
        An export is not there.
    """
    missing = [Problem("the file is not there", file=str(path), remedy="Check the path.") for path in exports
               if not path.is_file()]  # fmt: skip
    if missing:
        raise InputError(missing)
    files = list(dict.fromkeys(path.resolve() for path in exports))
    base = _common(files)
    looks = [look_at(file.relative_to(base).as_posix(), file) for file in files]
    parts = _as_parts(one_logger(looks))
    _read_once(parts, base)
    if any(part.reading is not None and part.reading.conflict for part in parts):
        parts = _as_parts([[look] for look in looks])
        _read_once(parts, base)
    folder = out.resolve().parent if out is not None else base
    text = _write(parts, base, folder, out)
    check_case(_loads(text))
    return text


def _as_parts(groups: Sequence[Sequence[Preview]]) -> list[_Part]:
    parts = [_Part(as_one(group), tuple(look.file for look in group)) for group in groups]
    for part in parts:
        _choose(part)
    return parts


def _loads(text: str) -> dict[str, Any]:
    import tomllib

    return tomllib.loads(text)


def _common(files: Sequence[Path]) -> Path:
    base = files[0].parent
    while not all(file.is_relative_to(base) for file in files):
        base = base.parent
    return base


def _choose(part: _Part) -> None:
    """Suggest roles; within one export a role is written once, for the name that fits it best."""
    columns = part.look.columns
    shared, prefix = shared_words([column.base for column in columns])
    part.choices = [_Choice(column, suggest(column.base, column.roles, shared, prefix)) for column in columns]
    taken: set[Role] = set()
    clear = [choice for choice in part.choices if is_clear(choice.found)]
    for choice in sorted(clear, key=lambda one: -one.found[0].score):
        role = choice.found[0].role
        if role not in taken:
            taken.add(role)
            choice.bound = True


def _case_data(parts: Sequence[_Part]) -> dict[str, Any]:
    sources: list[dict[str, Any]] = []
    points: list[dict[str, Any]] = []
    for part in parts:
        if part.look.problem is None:
            sources.append({"path": part.look.path, **_keys(part)})
        for choice in part.choices:
            if choice.bound:
                points.append(_point_keys(part, choice))
    return {
        "schema": 1,
        "case": {"id": "draft", "time_zone": PLACE_ZONE},
        "machine": {"refrigerant": "open", "air_pressure_kpa": 101.325, "rated_load_amps": 1.0},
        "source": sources,
        "point": points,
    }


def _keys(part: _Part) -> dict[str, Any]:
    keys: dict[str, Any] = dict(part.look.keys)
    if "\t" in keys.get("time_column", ""):
        keys["time_column"] = keys["time_column"].split("\t")
    return keys


def _point_keys(part: _Part, choice: _Choice) -> dict[str, Any]:
    keys = {"role": choice.found[0].role.value, "column": choice.column.name, "source": part.look.path}
    if _settled_unit(choice):
        keys["unit"] = choice.column.unit
    return keys


def _settled_unit(choice: _Choice) -> bool:
    role = choice.found[0].role
    unit = read_unit(choice.column.unit) if choice.column.unit else None
    return unit is not None and not is_switch(role) and not needs_datum(unit, role)


def _read_once(parts: list[_Part], base: Path) -> None:
    """Read the draft as a case is read, for its questions; a fault of this trial never loses the draft."""
    readable = [part for part in parts if part.look.problem is None]
    if not readable:
        return
    problems = Problems()
    try:
        case = check_case(_case_data(parts))
        readings = read_sources(case, base, None, problems)
    except InputError as fault:
        problems.extend(fault.problems)
        readings = ()
    by_path: dict[str, SourceResult] = {}
    for reading in readings:
        name = reading.joined_as or reading.exhibit.path
        by_path[name] = _both(by_path[name], reading) if name in by_path else reading
    for part in readable:
        part.reading = by_path.get(part.look.path)
        names = {part.look.path, *(file.relative_to(base).as_posix() for file in part.files)}
        part.problems = [problem for problem in problems if problem.file in names]


def _both(one: SourceResult, other: SourceResult) -> SourceResult:
    """Two files of one source as the draft describes them: their rows and their times together."""
    a, b = one.accounting, other.accounting
    aside = dict(Counter(a.set_aside) + Counter(b.set_aside))
    ends = [end for end in (one.first_ns, one.last_ns, other.first_ns, other.last_ns) if end is not None]
    return replace(
        one,
        accounting=Accounting(a.rows_read + b.rows_read, a.rows_kept + b.rows_kept, aside),
        first_ns=min(ends, default=None),
        last_ns=max(ends, default=None),
        notes=tuple(dict.fromkeys((*one.notes, *other.notes))),
    )


# --- writing ------------------------------------------------------------------------------------------------------


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str, mark: str = "# ") -> str:
    clean = re.sub(r"[\x00-\x1f\x7f]+", " ", text).strip()
    return mark + (clean if len(clean) <= 4 * _WIDTH else clean[: 4 * _WIDTH] + " …")


def _toml(key: str, value: Any) -> str:
    if isinstance(value, list):
        return f"{key} = [{', '.join(_quoted(item) for item in value)}]"
    return f"{key} = {_quoted(value)}"


def _write(parts: list[_Part], base: Path, folder: Path, out: Path | None) -> str:
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


def _case_lines(parts: list[_Part], folder: Path, out: Path | None) -> list[str]:
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


def _machine_lines(parts: list[_Part]) -> list[str]:
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


def _path_of(part: _Part, folder: Path) -> tuple[str, bool]:
    """Path as the case file gives it, and whether the export lies in its folder."""
    if part.look.file.is_relative_to(folder):
        name = PurePosixPath(part.look.path).name
        return part.look.file.relative_to(folder).with_name(name).as_posix(), True
    return part.look.path, False


def _source_lines(part: _Part, folder: Path) -> list[str]:
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
    for problem in part.problems:
        if not problem.column or problem.severity is Severity.STOP:
            mark = "# NOTE: " if problem.severity is Severity.NOTE else _MARK
            lines.append(_comment(_said(problem), mark))
            lines += [f'# {key} = ""' for key in _ANSWERS if key in problem.remedy and key not in part.look.keys]
    lines += [_toml(key, value) for key, value in _keys(part).items()]
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


def _point_lines(part: _Part, folder: Path) -> list[str]:
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


def _unit_questions(part: _Part) -> list[str]:
    """One question for all units of a kind that are open."""
    open_units: dict[str, list[str]] = {}
    for choice in part.choices:
        role = choice.found[0].role if choice.found else None
        if not choice.bound or role is None or is_switch(role) or _settled_unit(choice):
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


def _bound_lines(part: _Part, choice: _Choice, path: str) -> list[str]:
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
    elif _settled_unit(choice):
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


def _detected(part: _Part, what: str) -> str:
    found = part.reading.detections if part.reading is not None else ()
    return next((one.value for one in found if one.what == what), "")
