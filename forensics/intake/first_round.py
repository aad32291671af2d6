"""What else is wrong with a case file that can't be taken as it is: so that it is corrected in one round, not in three.

Where the models refuse a case file, its limits, exports and photographs are looked at all the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from forensics.case.read import toml_data
from forensics.errors import InputError, Problem
from forensics.model.paths import CASE_FILE_BYTES, EXPORT_BYTES, PHOTO_BYTES, path_problem, read_regular
from forensics.rules import read_limits


def further_problems(path: Path) -> tuple[Problem, ...]:
    """Problems of the limits and files that a refused case file names; none where it is no TOML at all."""
    try:
        data, _ = toml_data(read_regular(path, CASE_FILE_BYTES), path.name)
    except (InputError, OSError):
        return ()
    return (*_limits(data, path.name), *_files(data, path))


def _limits(data: dict[str, Any], name: str) -> tuple[Problem, ...]:
    rows = [row for row in _tables(data, "limit") if isinstance(row.get("name"), str)]
    numbers = {row["name"]: (float(row["value"]), "") for row in rows if type(row.get("value")) in (int, float)}
    try:
        read_limits().replaced(numbers, file=name)
    except InputError as fault:
        return fault.problems
    return ()


def _files(data: dict[str, Any], case: Path) -> Iterator[Problem]:
    named = [(row.get("path"), EXPORT_BYTES, f"source[{n}].path") for n, row in _numbered(data, "source")]
    named += [(row.get("photo"), PHOTO_BYTES, f"observation[{n}].photo") for n, row in _numbered(data, "observation")]
    for name, most, key in named:
        if not isinstance(name, str) or not name or any(mark in name for mark in "*?["):
            continue
        wrong = path_problem(case.parent, name.replace("\\", "/"), most, file=case.name, key=key)
        if wrong is not None:
            yield wrong


def _numbered(data: dict[str, Any], key: str) -> Iterator[tuple[int, dict[str, Any]]]:
    return iter(enumerate(_tables(data, key), start=1))


def _tables(data: dict[str, Any], key: str) -> list[dict[str, Any]]:
    rows = data.get(key)
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []
