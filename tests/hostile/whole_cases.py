"""Whole cases with something wrong in them: made from sound ones by what happens to exports and case files.

Each change keeps the shape of what it changes (a table stays a table, a case file stays TOML), so that it gets past
the reading and reaches the judging.
"""

from __future__ import annotations

import copy
import gzip
import json
import random
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from case_folders import CASE, rows

from forensics.model.vocabulary import Mode, Recorded, Role
from forensics.rules import read_limits

MOST_ROWS = 2_500
JUNK = (
    "",
    "NaN",
    "None",
    "#N/A",
    "1e999",
    "-1e308",
    "inf",
    "--",
    "On",
    "Off",
    "true",
    "0",
    "1",
    "-273.15",
    "9" * 30,
    "1,5",
    "1.234.567",
    "\x00",
    "=1+1",
    "'",
    '"',
    "\u202e12",
    "12 psi",
    "99/99/9999 99:99",
    "½",
    "<script>",
)
STAMPS = (
    "1970-01-01 00:00:00",
    "2000-01-01 00:00:05",
    "0001-01-01 00:00:00",
    "9999-12-31 23:59:59",
    "2099-06-01 12:00:00",
    "01/01/1970 00:00",
    "31/12/9999 23:59",
    "1899-12-30",
    "2031-02-30 10:00:00",
    "0",
    "-1",
    "1e18",
    "",
)
UNITS = (
    "A",
    "kA",
    "%RLA",
    "kPaa",
    "kPag",
    "psig",
    "bar",
    "degC",
    "degF",
    "K",
    "%",
    "V",
    "Hz",
    "rpm",
    "kW",
    "mm/s",
    "",
    "parsec",
)


@dataclass
class Whole:
    """A case in memory: its file as data, and the bytes of every export by path."""

    name: str
    case: dict[str, Any]
    files: dict[str, bytes] = field(default_factory=dict)
    did: list[str] = field(default_factory=list)

    def write(self, folder: Path) -> Path:
        """Lay it out; gives the path of its case file."""
        for path, content in self.files.items():
            target = folder / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        case = folder / "case.toml"
        case.write_text(toml(self.case), encoding="utf-8")
        return case


def toml(data: dict[str, Any]) -> str:
    """A case file as text: keys, then tables, then arrays of tables."""
    out: list[str] = []
    _table(data, "", out)
    return "\n".join(out) + "\n"


def _table(data: dict[str, Any], name: str, out: list[str]) -> None:
    inner = {key: value for key, value in data.items() if isinstance(value, dict)}
    many = {
        key: value for key, value in data.items() if isinstance(value, list) and value and isinstance(value[0], dict)
    }
    out += [f"{key} = {_value(value)}" for key, value in data.items() if key not in inner and key not in many]
    for key, value in inner.items():
        out.append(f"[{name}{key}]")
        _table(value, f"{name}{key}.", out)
    for key, tables in many.items():
        for table in tables:
            out.append(f"[[{name}{key}]]")
            _table(table, f"{name}{key}.", out)


def _value(value: object) -> str:
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, float):
        return {"inf": "inf", "-inf": "-inf", "nan": "nan"}.get(repr(value), repr(value))
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value)


def sound(root: Path) -> list[Whole]:
    """The sound cases that all others are made from: an invented one, and those that ship, shortened to their end."""
    out = [Whole("small", tomllib.loads(CASE), {"exports/trend.csv": ("\n".join(rows()) + "\n").encode()})]
    for name in ("cannot-tell", "loaded-starts", "healthy"):
        out.append(shortened(root / "data_demo" / "cases" / name / "case.toml"))
    return out


def shortened(case: Path) -> Whole:
    """A case from its folder, with the last rows of each export."""
    data = tomllib.loads(case.read_text(encoding="utf-8"))
    files: dict[str, bytes] = {}
    renamed: dict[str, str] = {}
    for source in data["source"]:
        path = str(source["path"])
        content = (case.parent / path).read_bytes()
        if path.endswith(".gz"):
            content, renamed[path] = gzip.decompress(content), path.removesuffix(".gz")
        if path.endswith((".csv", ".csv.gz")):
            head, *lines = content.splitlines(keepends=True)
            content = head + b"".join(lines[-MOST_ROWS:])
        elif path.endswith(".cfg"):
            beside = path.removesuffix(".cfg") + ".dat"
            files[beside] = (case.parent / beside).read_bytes()
        files[renamed.get(path, path)] = content
    for table in (*data["source"], *data.get("point", [])):
        for key in ("path", "source"):
            if table.get(key) in renamed:
                table[key] = renamed[table[key]]
    for paper in (one["document"] for one in data.get("observation", []) if one.get("document")):
        files[paper] = (case.parent / paper).read_bytes()
    return Whole(case.parent.name, data, files)


# what happens to an export


def _delimiter(lines: list[str]) -> str:
    return max(",;\t", key=lines[0].count) if lines else ","


def _export(whole: Whole, rng: random.Random) -> tuple[str, list[list[str]]]:
    path = rng.choice([name for name in whole.files if name.endswith(".csv")])
    lines = whole.files[path].decode("utf-8", "replace").splitlines()
    return path, [line.split(_delimiter(lines)) for line in lines]


def _put(whole: Whole, path: str, table: list[list[str]]) -> None:
    mark = _delimiter(whole.files[path].decode("utf-8", "replace").splitlines())
    whole.files[path] = ("\n".join(mark.join(row) for row in table) + "\n").encode()


def _block(table: list[list[str]], rng: random.Random) -> tuple[int, int]:
    first = rng.randrange(1, max(len(table), 2))
    return first, min(len(table), first + rng.choice([1, 3, 20, 200, 2_000]))


def _rows_of(
    change: Callable[[list[list[str]], int, int, random.Random], None],
) -> Callable[[Whole, random.Random], None]:
    def apply(whole: Whole, rng: random.Random) -> None:
        path, table = _export(whole, rng)
        if len(table) > 2:
            change(table, *_block(table, rng), rng)
            _put(whole, path, table)

    return apply


def _cells_of(
    change: Callable[[str, random.Random], str], *, stamps: bool = False
) -> Callable[[Whole, random.Random], None]:
    """Change the cells of one column over a block; ``stamps`` takes the first column."""

    def apply(whole: Whole, rng: random.Random) -> None:
        path, table = _export(whole, rng)
        if len(table) <= 2:
            return
        column = 0 if stamps else rng.randrange(len(table[0]))
        first, last = _block(table, rng)
        for row in table[first:last]:
            if column < len(row):
                row[column] = change(row[column], rng)
        _put(whole, path, table)

    return apply


def _scaled(cell: str, rng: random.Random) -> str:
    try:
        return f"{float(cell) * rng.choice([-1.0, 0.0, 0.1, 10.0, 1000.0, 1e30]):.6g}"
    except ValueError:
        return cell


def _shifted_hour(cell: str, rng: random.Random) -> str:
    head, colon, rest = cell.partition(":")
    if not colon or not head[-2:].strip().isdigit():
        return cell
    return f"{head[:-2]}{(int(head[-2:]) + rng.choice([1, 12, 23])) % 24:02d}:{rest}"


def _delete(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    del table[first:last]


def _repeat(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    table[first:first] = [list(row) for row in table[first:last]] * rng.choice([1, 2])


def _reverse(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    table[first:last] = table[first:last][::-1]


def _shuffle(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    part = table[first:last]
    rng.shuffle(part)
    table[first:last] = part


def _move(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    part = table[first:last]
    del table[first:last]
    at = rng.randrange(1, max(len(table), 2))
    table[at:at] = part


def _thin(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    table[1:] = table[1 :: rng.choice([2, 5, 30, 300])]


def _stray(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    table[first][0] = rng.choice(STAMPS)


def _swap(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    one, other = rng.randrange(len(table[0])), rng.randrange(len(table[0]))
    for row in table[1:]:
        if max(one, other) < len(row):
            row[one], row[other] = row[other], row[one]


def _constant(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    column = rng.randrange(len(table[0]))
    for row in table[first:last]:
        if column < len(row) and column < len(table[first]):
            row[column] = table[first][column]


def _ragged(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    for row in table[first:last]:
        (row.append("x") if rng.random() < 0.5 else row.pop())


def _emptied(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    """A source that wrote nothing: its heading stands, perhaps with one row."""
    del table[1 + rng.choice([0, 0, 1, 2]) :]


def _ended_early(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    """A source that stopped writing, or began late."""
    if rng.random() < 0.5:
        del table[first:]
    else:
        del table[1:first]


def _rows_with(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    """All rows, or those of a block, that hold one text: a point of a list, or one of its states."""
    row = rng.choice(table[1:])
    column = rng.randrange(min(1, len(row) - 1), len(row)) if row else 0
    wanted = row[column] if row else ""
    begin, end = (1, len(table)) if rng.random() < 0.5 else (first, last)
    table[begin:end] = [one for one in table[begin:end] if column >= len(one) or one[column] != wanted]


def _column_gone(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    """No reading of one column at all."""
    column = rng.randrange(len(table[0]))
    for row in table[1:]:
        if column < len(row):
            row[column] = ""


def _junk_lines(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    table[first:first] = [[rng.choice(JUNK)] for _ in range(rng.choice([1, 5, 50]))]


def _again_headed(table: list[list[str]], first: int, last: int, rng: random.Random) -> None:
    table[first:first] = [list(table[0])]


def _bytes(whole: Whole, rng: random.Random) -> None:
    path = rng.choice(list(whole.files))
    data = bytearray(whole.files[path])
    for _ in range(rng.randint(1, 30)):
        if data:
            data[rng.randrange(len(data))] = rng.randrange(256)
    whole.files[path] = bytes(data)


def _cut(whole: Whole, rng: random.Random) -> None:
    path = rng.choice(list(whole.files))
    whole.files[path] = whole.files[path][: rng.randrange(len(whole.files[path]) + 1)]


def _recoded(whole: Whole, rng: random.Random) -> None:
    path = rng.choice([name for name in whole.files if name.endswith((".csv", ".cfg"))])
    text = whole.files[path].decode("utf-8", "replace")
    whole.files[path] = text.encode(rng.choice(["utf-16", "utf-32", "cp1252", "utf-8-sig", "cp037"]), "replace")


def _other_marks(whole: Whole, rng: random.Random) -> None:
    path, _ = _export(whole, rng)
    old, new = rng.choice(
        [(b",", b";"), (b".", b","), (b":", b"."), (b"-", b"/"), (b"\n", b"\r"), (b"\n", b"\r\n"), (b",", b"\t")]
    )
    whole.files[path] = whole.files[path].replace(old, new)


# what happens to a case file


def _machine(whole: Whole, rng: random.Random) -> None:
    machine = whole.case["machine"]
    key = rng.choice([key for key in machine if key != "refrigerant"] or ["serial"])
    if rng.random() < 0.4:
        machine.pop(key, None)
    elif isinstance(machine.get(key), float):
        machine[key] *= rng.choice([0.01, 0.5, 2.0, 100.0])
    machine["starter"] = rng.choice(["across-the-line", "star-delta", "part-winding", "soft-start", "variable-speed"])


def _failure(whole: Whole, rng: random.Random) -> None:
    case = whole.case["case"]
    if rng.random() < 0.2 or "failure" not in case:
        case.pop("failure", None)
        return
    case["failure"] += timedelta(seconds=rng.choice([-86_400 * 400, -86_400, -3600, -60, 1, 600, 86_400, 86_400 * 400]))


def _window(whole: Whole, rng: random.Random) -> None:
    key = rng.choice(["window_before", "window_after", "history"])
    whole.case["case"][key] = rng.choice(["0s", "1s", "1min", "5h", "40d", "3650d", "36525d"])


def _limit(whole: Whole, rng: random.Random) -> None:
    name = rng.choice(sorted(read_limits()))
    value = read_limits()[name] * rng.choice([0.001, 0.01, 0.5, 2.0, 100.0, 1000.0])
    whole.case.setdefault("limit", []).append({"name": name, "value": value, "source": "made"})


def _point(whole: Whole, rng: random.Random) -> None:
    points = whole.case["point"]
    point = rng.choice(points)
    kind = rng.randrange(8)
    if kind == 0:
        points.remove(point)
    elif kind == 1:
        point["role"] = rng.choice(list(Role)).value
    elif kind == 2:
        point["unit"] = rng.choice(UNITS)
    elif kind == 3:
        point["recorded"] = rng.choice(list(Recorded)).value
    elif kind == 4:
        point["column"], other = rng.choice(points)["column"], point["column"]
        points[-1]["column"] = other
    elif kind == 5:
        point["range"] = rng.choice([[0.0, 1.0], [-1e12, 1e12], [50.0, 60.0]])
    elif kind == 6:
        point["hold"] = rng.choice(["0s", "1s", "400d"])
    else:
        point["on"], point["off"] = point.get("off", ["Off"]), point.get("on", ["On"])
    if not points:
        points.append(point)


def _role_gone(whole: Whole, rng: random.Random) -> None:
    """Every point of one role, or of several."""
    roles = sorted({point["role"] for point in whole.case["point"]})
    gone = set(rng.sample(roles, k=min(len(roles) - 1, rng.choice([1, 1, 2, 5]))))
    whole.case["point"] = [point for point in whole.case["point"] if point["role"] not in gone]


def _source_gone(whole: Whole, rng: random.Random) -> None:
    """A source with all of its points; the only one stays."""
    sources = whole.case["source"]
    if len(sources) > 1:
        gone = sources.pop(rng.randrange(len(sources)))["path"]
        kept = [point for point in whole.case["point"] if point.get("source") != gone]
        whole.case["point"] = kept or whole.case["point"]


def _source(whole: Whole, rng: random.Random) -> None:
    source = rng.choice(whole.case["source"])
    key, value = rng.choice(
        [
            ("clock", "other"),
            ("clock", whole.case["source"][0].get("clock", "")),
            ("time_zone", "Pacific/Apia"),
            ("time_zone", "-11:30"),
            ("date_order", "DMY"),
            ("date_order", "YMD"),
            ("kind", "events"),
            ("layout", "long"),
            ("decimal", ","),
            ("thousands", "."),
            ("time_number", "unix-ms"),
            ("measured_at", "motor"),
            ("encoding", "utf-16"),
            ("clock_check", [{"at": datetime(2031, 3, 16, 9), "true_time": datetime(2031, 3, 9, 8)}]),
        ]
    )
    source[key] = value


def _seen(whole: Whole, rng: random.Random) -> None:
    whole.case.setdefault("observation", []).append(
        {
            "text": rng.choice(["seen", "coil open", "\u202eturned", "x" * 5_000]),
            "kind": rng.choice(["witness", "inspection", "test", "document"]),
            "bears_on": rng.choice([mode for mode in Mode if mode is not Mode.NONE]).value,
            "supports": rng.random() < 0.5,
        }
    )


# kind of change, and whether it only takes data away
CHANGES: dict[str, Callable[[Whole, random.Random], None]] = {
    "rows deleted": _rows_of(_delete),
    "rows repeated": _rows_of(_repeat),
    "rows reversed": _rows_of(_reverse),
    "rows shuffled": _rows_of(_shuffle),
    "rows moved": _rows_of(_move),
    "rows thinned": _rows_of(_thin),
    "rows ragged": _rows_of(_ragged),
    "source emptied": _rows_of(_emptied),
    "source ended early": _rows_of(_ended_early),
    "rows with one text gone": _rows_of(_rows_with),
    "column emptied": _rows_of(_column_gone),
    "role gone": _role_gone,
    "source gone": _source_gone,
    "stray stamp": _rows_of(_stray),
    "columns exchanged": _rows_of(_swap),
    "column held": _rows_of(_constant),
    "junk lines": _rows_of(_junk_lines),
    "header again": _rows_of(_again_headed),
    "junk cells": _cells_of(lambda _, rng: rng.choice(JUNK)),
    "cells emptied": _cells_of(lambda *_: ""),
    "cells scaled": _cells_of(_scaled),
    "stamps moved": _cells_of(_shifted_hour, stamps=True),
    "stamps junk": _cells_of(lambda _, rng: rng.choice(STAMPS), stamps=True),
    "bytes changed": _bytes,
    "file cut": _cut,
    "encoding": _recoded,
    "marks": _other_marks,
    "machine": _machine,
    "failure time": _failure,
    "window": _window,
    "limit": _limit,
    "point": _point,
    "source key": _source,
    "observation": _seen,
}


def broken(base: Whole, rng: random.Random) -> Whole:
    """A copy of a sound case with one to four things wrong in it."""
    whole = copy.deepcopy(base)
    for name in rng.choices(list(CHANGES), k=rng.randint(1, 4)):
        CHANGES[name](whole, rng)
        whole.did.append(name)
    return whole
