"""What to say of a value in a case file that has the wrong type, and on which line it stands."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from datetime import date, datetime, time

from forensics.errors import Problem

_TABLE = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"\s*(?:\"([^\"]+)\"|'([^']+)'|([A-Za-z0-9_-]+))\s*=")
_PART = r"""(?:"[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+)[ \t]*"""
_DEEP_KEY = re.compile(rf"(?:^|[\[{{,])[ \t]*(?:{_PART}\.[ \t]*){{16}}", re.MULTILINE)
_FIRST_PRINTABLE = " "
_LONGEST_LINE = 2_000  # no header or key is longer; the patterns below take time that grows with the line


def checked_path(value: str) -> str:
    """A path as written, unless its backslashes were read as control characters.

    Raises
    ------
    ValueError
        The text holds control characters.
    """
    if any(sign < _FIRST_PRINTABLE for sign in value):
        raise ValueError(
            "the backslashes were read as control characters; use single quotes or forward slashes in the path"
        )
    return value


def said_type(kind: str, value: object, key: str) -> tuple[str, str] | None:
    """What is wrong with a value of another type, and what to write; None for any other fault.

    Parameters
    ----------
    kind
        Kind of fault, as the library that checks the types names it.
    """
    said = f"'{key}' was read as {_read_as(value)}"
    if kind == "string_type":
        if isinstance(value, float):  # 1E5 or 1.10 is gone
            return said, "Write it in quotes, letter for letter as it is meant."
        shown = str(value).lower() if isinstance(value, bool) else str(value)
        return said, f'Write it in quotes, as it is meant: "{shown}".'
    if kind.startswith(("datetime_", "date_from")) or kind in ("date_type", "time_type"):
        return said, "Write date and time of day without quotes: 2031-03-14T05:12:30."
    if kind in ("int_type", "int_from_float"):
        return said, "Write a whole number without quotes."
    if kind in ("float_type", "float_parsing"):
        return said, "Write a number without quotes, with a point as its decimal mark."
    if kind == "bool_type":
        return said, "Write true or false without quotes."
    if kind == "tuple_type" and isinstance(value, dict):
        return f"'{key}' was read as one table", f"Write [[{key}]], in double brackets: there may be several."
    return None


def _read_as(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"the number {value}"
    if isinstance(value, datetime):
        return f"the date and time {value.isoformat(' ')}"
    if isinstance(value, date):
        return f"the date {value}"
    if isinstance(value, time):
        return f"the time {value}"
    if isinstance(value, str):
        return f"the text '{value[:60]}'"
    return "a list" if isinstance(value, list | tuple) else "a table"


def is_deep(text: str) -> bool:
    """Whether a key has so many dotted parts that reading it takes time that grows with their square."""
    return _DEEP_KEY.search(text) is not None


_NO_SECONDS = re.compile(r"=\s*\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?!:)\s*(?:Z|[+-]\d\d:\d\d)?\s*(?:#.*)?$")


def toml_problem(name: str, text: str, fault: str) -> Problem:
    """What to say of a case file that is not TOML, with its line."""
    found = re.search(r"line (\d+)", fault)
    row = int(found[1]) if found else None
    line = text.splitlines()[row - 1] if row and row <= len(text.splitlines()) else ""
    remedy = "Mend the line; text stands in quotes, stamps and numbers do not."
    if "\\" in line and '"' in line:
        remedy = "Backslashes in double quotes are control characters: use single quotes or forward slashes."
    if _NO_SECONDS.search(line):
        remedy = "A time has seconds: write 05:12:00, not 05:12."
    return Problem(f"not TOML: {fault}: {line.strip()[:120]}", file=name, row=row, remedy=remedy)


KeyLines = Mapping[tuple[int | str, ...], int]


def key_lines(text: str) -> KeyLines:
    """First physical line of each table and key of a case file, by its place; read once for all problems."""
    found: dict[tuple[int | str, ...], int] = {}
    counts: Counter[str] = Counter()
    here: tuple[int | str, ...] = ()
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            continue
        table = _TABLE.fullmatch(line.rstrip("\r"))
        if table is not None:
            here = _place(table[2], counts, many=table[1] == "[[")
            found.setdefault(here, number)
            continue
        key = _KEY.match(line)
        if key is not None:
            found.setdefault((*here, key[1] or key[2] or key[3]), number)
    return found


def line_of(lines: KeyLines, location: tuple[int | str, ...]) -> int | None:
    """Physical line on which a key of a case file stands; None where it can't be told."""
    while location and isinstance(location[-1], int) and location not in lines:
        location = location[:-1]
    return lines.get(location)


def _place(name: str, counts: Counter[str], *, many: bool) -> tuple[int | str, ...]:
    """Where the keys below a table's header belong."""
    out: list[int | str] = []
    parts = [part.strip().strip("\"'") for part in name.split(".")]
    for depth, part in enumerate(parts, start=1):
        path = ".".join(parts[:depth])
        out.append(part)
        if many and depth == len(parts):
            for inner in [key for key in counts if key.startswith(f"{path}.")]:
                del counts[inner]
            counts[path] += 1
        if counts[path]:
            out.append(counts[path] - 1)
    return tuple(out)
