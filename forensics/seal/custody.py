"""The custody list of a bag: who, when, what, from whom; each line holds a hash over itself and the line before.

A line that is changed, taken out or moved breaks the chain at that line. Whoever rewrites the whole list can make a new
chain: that the list is the one of the sealing is shown by the signature, or by the seal id noted elsewhere.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.model.outside_text import for_sheet, from_sheet
from forensics.model.paths import TABLE_BYTES, read_inside

CUSTODY = "custody.csv"
COLUMNS = (
    "time_utc",
    "who",
    "what",
    "received_from",
    "how",
    "tool",
    "file",
    "sha256",
    "bytes",
    "file_changed_utc",
    "chain",
)
FIRST = "0" * 64
NOT_STATED = "not stated"


@dataclass(frozen=True)
class Received:
    """How a file came to the engineer, as the custody log beside the case file says it."""

    received_from: str = NOT_STATED
    how: str = NOT_STATED
    tool: str = NOT_STATED


def read_received(folder: Path) -> dict[str, Received]:
    """What the custody log of a case (``custody.csv`` beside the case file) says of each file that it names.

    Columns that are known: ``file``, ``received_from``, ``how``, ``tool``; a later line of a file replaces an earlier.
    """
    if not (folder / CUSTODY).is_file():
        return {}
    try:
        text = read_inside(folder, CUSTODY, TABLE_BYTES).decode("utf-8-sig")
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise InputError(
            [Problem(f"can't be read: {fault}", file=CUSTODY, remedy="Save it as CSV in UTF-8.")]
        ) from None

    def said(row: Mapping[str, str | None], name: str) -> str:
        return (row.get(name) or "").strip() or NOT_STATED

    return {
        (row.get("file") or "").strip().replace("\\", "/"): Received(
            said(row, "received_from"), said(row, "how"), said(row, "tool")
        )
        for row in rows
    }


def link(previous: str, row: Mapping[str, str]) -> str:
    """SHA-256 over the chain so far and the fields of a line."""
    fields = [row.get(name) or "" for name in COLUMNS if name != "chain"]
    text = json.dumps([previous, *fields], ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def chained(rows: Iterable[Mapping[str, str]]) -> list[dict[str, str]]:
    """Lines with their chain; one that has a chain already must have the one that it should.

    Raises
    ------
    InputError
        The list of an earlier bag is not whole.
    """
    made: list[dict[str, str]] = []
    previous = FIRST
    for number, row in enumerate(rows, start=2):
        fields = {name: row.get(name) or "" for name in COLUMNS}
        previous = link(previous, fields)
        if fields["chain"] not in {"", previous}:
            text = "the custody list of the superseded bag is broken at this line"
            raise InputError([Problem(text, file=CUSTODY, row=number, remedy="Verify that bag first.")])
        made.append(fields | {"chain": previous})
    return made


def write_rows(path: Path, rows: Iterable[Mapping[str, str]]) -> None:
    """Write the list as CSV (RFC 4180, line feeds); none of it as a formula of a spreadsheet, which reading undoes."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows({name: for_sheet(text) for name, text in row.items()} for row in rows)


def read_rows(path: Path) -> list[dict[str, str]]:
    """Lines of a list.

    Raises
    ------
    ValueError
        It is no list of this kind.
    """
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            reader = csv.DictReader(stream)
            rows = [{name: from_sheet(value or "") for name, value in row.items() if name in COLUMNS} for row in reader]
            if tuple(reader.fieldnames or ()) != COLUMNS:
                raise ValueError("its columns are not those of a chained custody list")
            return rows
    except (OSError, csv.Error) as fault:
        raise ValueError(str(fault)) from None


def custody_faults(rows: list[dict[str, str]], files: Mapping[str, str], last: str) -> list[str]:
    """What in the list does not hold: the chain, the files that it names, its last line.

    Parameters
    ----------
    files
        Hash by path of every file of the payload that a list of this bag must name.
    last
        The end of the chain as the bag's own description notes it.
    """
    faults = []
    previous = FIRST
    for number, row in enumerate(rows, start=2):
        wanted = link(previous, row)
        if row["chain"] != wanted:
            faults.append(
                f"custody list: line {number} ({row['file']}) is not as written: changed, moved, or one before gone"
            )
            break
        previous = wanted
    if not faults and previous != last:
        faults.append("custody list: its end is not the one that the bag notes: lines are gone or were added")
    named: dict[str, str] = {row["file"]: row["sha256"] for row in rows}  # later lines are those of this bag
    for name, digest in files.items():
        if name not in named:
            faults.append(f"custody list: no line tells of {name}")
        elif named[name] != digest:
            faults.append(f"custody list: {name} is another file than the one it tells of")
    return faults
