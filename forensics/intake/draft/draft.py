"""Drafts a case file from exports: sources, columns, units and suggested roles; every open question is a comment.

The draft is read once as ``check`` reads it, so that each question it asks is the one the case would be stopped with.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from forensics.case.read import check_case
from forensics.errors import InputError, Problem, Problems
from forensics.intake.draft.group_files import as_one, one_logger
from forensics.intake.draft.inspect import PLACE_ZONE, Preview, look_at
from forensics.intake.draft.suggest import is_clear, shared_words, suggest
from forensics.intake.draft.write import Choice, Part, keys_of, settled_unit, write_draft
from forensics.intake.read import read_sources
from forensics.intake.result import Accounting, SourceResult
from forensics.model.vocabulary import Role


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
    text = write_draft(parts, base, folder, out)
    check_case(_loads(text))
    return text


def _as_parts(groups: Sequence[Sequence[Preview]]) -> list[Part]:
    parts = [Part(as_one(group), tuple(look.file for look in group)) for group in groups]
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


def _choose(part: Part) -> None:
    """Suggest roles; within one export a role is written once, for the name that fits it best."""
    columns = part.look.columns
    shared, prefix = shared_words([column.base for column in columns])
    part.choices = [Choice(column, suggest(column.base, column.roles, shared, prefix)) for column in columns]
    taken: set[Role] = set()
    clear = [choice for choice in part.choices if is_clear(choice.found)]
    for choice in sorted(clear, key=lambda one: -one.found[0].score):
        role = choice.found[0].role
        if role not in taken:
            taken.add(role)
            choice.bound = True


def _case_data(parts: Sequence[Part]) -> dict[str, Any]:
    sources: list[dict[str, Any]] = []
    points: list[dict[str, Any]] = []
    for part in parts:
        if part.look.problem is None:
            sources.append({"path": part.look.path, **keys_of(part)})
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


def _point_keys(part: Part, choice: Choice) -> dict[str, Any]:
    keys = {"role": choice.found[0].role.value, "column": choice.column.name, "source": part.look.path}
    if settled_unit(choice):
        keys["unit"] = choice.column.unit
    return keys


def _read_once(parts: list[Part], base: Path) -> None:
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
