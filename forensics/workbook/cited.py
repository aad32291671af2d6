"""The rows that a finding stands on, from the points and, for exports that are text, as they stand in the file."""

from __future__ import annotations

import difflib
import gzip
import itertools
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TextIO

import pandas as pd

from forensics.errors import InputError, Problem
from forensics.investigation import Investigation
from forensics.model.findings import Cite
from forensics.model.points import UNKNOWN
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.workbook.tables import UTC_TIME

MOST_ROWS = 2_000
MOST_LETTERS = 2_000
COLUMNS = ["source", "column", "line", "time_utc", "value", "text"]
_TEXT = frozenset({".csv", ".txt", ".tsv", ".log", ".dat", ".asc", ".prn"})


def rows(work: Investigation, finding: str) -> pd.DataFrame:
    """Every cited row of a finding, at most ``MOST_ROWS`` of each citation; ``attrs["more"]`` counts the others."""
    known = {found.id: found for found in work.findings}
    if finding not in known:
        near = difflib.get_close_matches(finding, list(known), n=3)
        hint = f" (nearest: {', '.join(near)})" if near else ""
        raise InputError([Problem(f"there is no finding '{finding}'{hint}", remedy="`findings` lists them.")])
    listed: list[tuple[object, ...]] = []
    more = 0
    for cite in known[finding].cites:
        read = _readings(work.record, cite)
        more += max(0, len(read) - MOST_ROWS)
        read = read[:MOST_ROWS]
        lines = _lines(work, cite.source, [line for line, _, _ in read])
        listed += [(cite.source, cite.column, n, at, value, lines.get(n, "")) for n, at, value in read]
    made = pd.DataFrame(listed, columns=COLUMNS)
    made["time_utc"] = pd.to_datetime(made["time_utc"], unit="ns", utc=True)
    made = made.astype({"time_utc": UTC_TIME})
    made.attrs["more"] = more
    return made


def _readings(record: Record, cite: Cite) -> list[tuple[int, int | None, float | None]]:
    """Line, time (ns UTC) and value of each row of a citation; an event line has no value."""
    first, last = cite.rows
    found: list[tuple[int, int | None, float | None]] = []
    bound = [p for by in (record.samples, record.switches) for points in by.values() for p in points]
    for point in bound:
        if point.origin.source != cite.source or point.origin.column != cite.column:
            continue
        inside = (point.row >= first) & (point.row <= last)
        values = point.state if isinstance(point, Switch) else point.v
        for line, at, value in zip(point.row[inside], point.t[inside], values[inside], strict=True):
            known = not (isinstance(point, Switch) and value == UNKNOWN)
            found.append((int(line), int(at), float(value) if known else None))
    if not found:
        found = [(x.row, x.time_ns, None) for x in record.log if x.source == cite.source and first <= x.row <= last]
    if not found:
        found = [(line, None, None) for line in range(first, min(last, first + MOST_ROWS) + 1)]
    return sorted(found, key=lambda one: one[0])


def _lines(work: Investigation, source: str, wanted: Sequence[int]) -> dict[int, str]:
    """Lines of a text export by number; none of a workbook or a record, whose rows are no text."""
    exhibits = [e for reading in work.readings for e in (reading.exhibit, *reading.also) if e.path == source]
    if not exhibits or not wanted:
        return {}
    file, names = exhibits[0].file, [s.casefold() for s in Path(source).suffixes]
    if not names or (names[-1] not in _TEXT and names[-2:-1] != [".csv"]):
        return {}
    encoding = _encoding(work, source)
    how: Callable[..., TextIO] = gzip.open if names[-1] == ".gz" else open
    with how(file, "rt", encoding=encoding, errors="replace") as stream:
        first, last = min(wanted), max(wanted)
        kept = set(wanted)
        numbered = enumerate(itertools.islice(stream, first - 1, last), start=first)
        return {n: line.rstrip("\r\n")[:MOST_LETTERS] for n, line in numbered if n in kept}


def _encoding(work: Investigation, source: str) -> str:
    given = next((s.encoding for s in work.casefile.source if s.path == source and s.encoding), "")
    found = (d.value for r in work.readings if r.exhibit.path == source for d in r.detections if d.what == "encoding")
    return given or next(found, "") or "utf-8"
