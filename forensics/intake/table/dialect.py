"""How an export is laid out: delimiter, header, notes above it, which columns hold stamps."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from forensics.case.exports import Source
from forensics.intake.lexicon import plain
from forensics.intake.result import Detection
from forensics.intake.table.dialect_model import Dialect, Note
from forensics.intake.table.headers import (
    group_row,
    grouped,
    is_filled,
    is_stamped,
    mended,
    modal_width,
    seen_header,
    stamp_forms,
    table_width,
    told_header,
    units_below,
)
from forensics.intake.table.records import RowText, records, split_lines
from forensics.intake.table.time_columns import find_times
from forensics.intake.timestamps.fields import FIXED, OPEN

DELIMITERS = (",", ";", "\t", "|")
_DELIMITER_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
_TOLD = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "pipe": "|"}
_SAMPLE_ROWS = 400
_SHARE = 0.6


def unique_names(names: Sequence[str]) -> list[str]:
    """Column names by which the report calls them: ``name [col 3]`` where a name comes twice."""
    counts = Counter(plain(name) for name in names)
    return [f"{name} [col {i + 1}]" if counts[plain(name)] > 1 else name for i, name in enumerate(names)]


def told_delimiter(text: str) -> str:
    """Delimiter as the case file gives it: the character or its name."""
    return _TOLD.get(text.strip().lower(), text[:1]) if text.strip() else ("\t" if text == "\t" else "")


def find_dialect(sample: bytes, source: Source) -> Dialect:
    """Look at the head of an export (UTF-8) and say how it is laid out.

    Parameters
    ----------
    sample
        First bytes; an incomplete last line is left out by the caller.
    source
        What the case file tells overrules what is seen.
    """
    lines = split_lines(sample)
    told = told_delimiter(source.delimiter)
    tries = [told] if told else list(DELIMITERS)
    best: tuple[tuple[float, float, int], str, list[RowText]] | None = None
    for delimiter in tries:
        rows = list(records(lines[: _SAMPLE_ROWS + 300], delimiter, 1, None))
        score = _score(rows)
        if best is None or score > best[0]:
            best = (score, delimiter, rows)
    if best is None:
        raise AssertionError("no delimiter was tried")
    _, delimiter, rows = best
    dialect = _table(rows, delimiter, source)
    how = "given in the case file" if told else f"{dialect.width} fields a record"
    dialect.detections.append(Detection("delimiter", _DELIMITER_NAMES.get(delimiter, delimiter), how))
    return dialect


def like(other: Dialect, below: bytes) -> Dialect:
    """The layout of another file of the same logger, whose lines above the first record are the same.

    Parameters
    ----------
    below
        The first bytes of its records.
    """
    lines = split_lines(below)[:_SAMPLE_ROWS]
    rows = [row for row in records(lines, other.delimiter, other.data_line, other.width) if is_filled(row)]
    return replace(other, sample=rows, detections=list(other.detections), notes=list(other.notes))


def _score(rows: Sequence[RowText]) -> tuple[float, float, int]:
    full = [row for row in rows if is_filled(row)]
    if not full:
        return (0.0, 0.0, 0)
    width = table_width(full)
    wide = [row for row in full if row.fields and len(row.fields) == width]
    if width == 1:
        wide = full
    stamped = 0.0
    for column in range(min(width, 8)):
        forms = stamp_forms(wide[:60], column)
        below = list(itertools.dropwhile(lambda form: form not in (FIXED, OPEN), forms))  # names and units stand above
        share = sum(form in (FIXED, OPEN) for form in below) / max(len(below), 1)
        stamped = max(stamped, share if width > 1 else share * 0.5)
    return (round(stamped, 1), len(wide) / len(full) if width > 1 else 0.1, width)


def _table(rows: list[RowText], delimiter: str, source: Source) -> Dialect:
    width = table_width(rows)
    wanted = [plain(mended(name)) for name in (*source.time_column, source.point_column, source.value_column) if name]
    header = told_header(rows, wanted)
    if header is None:
        header = seen_header(rows, width)
    if header is None:
        return _no_header(rows, delimiter, width)
    fields = [cell.strip() for cell in rows[header].fields or []]
    after = header + 1
    data_width = modal_width(rows[after : after + _SAMPLE_ROWS])
    while len(fields) > 1 and not fields[-1] and len(fields) > data_width:
        fields.pop()
    above = group_row(rows, header, fields)
    lower = [mended(cell) for cell in fields] if above is not None else []
    if above is not None:
        fields = grouped([cell.strip() for cell in rows[above].fields or []], fields)
    dialect = Dialect(
        delimiter, [], [mended(cell) for cell in fields], header_line=rows[header].line, lower_names=lower
    )
    if dialect.raw_names != fields:
        dialect.detections.append(
            Detection("text repaired", "header", "UTF-8 that was encoded twice: shown as it was meant")
        )
    dialect.names = unique_names(dialect.raw_names)
    dialect.preamble = [
        Note(row.line, row.text) for i, row in enumerate(rows[:header]) if is_filled(row) and i != above
    ]
    found = units_below(rows, after)
    after = found.after
    dialect.units = found.units
    dialect.preamble += [Note(row.line, row.text) for row in found.passed]
    if found.units:
        shown = ", ".join(list(found.units.values())[:6])
        dialect.detections.append(Detection("units row", f"line {found.line}", shown))
    dialect.data_line = rows[after].line if after < len(rows) else rows[-1].line + rows[-1].lines
    dialect.sample = [row for row in rows[after : after + _SAMPLE_ROWS] if is_filled(row)]
    dialect.phantom = _extra_fields(dialect)
    find_times(dialect, source)
    evidence = ", ".join(dialect.names[:4]) + (" …" if dialect.width > 4 else "")  # noqa: PLR2004
    dialect.detections.append(Detection("header", f"line {dialect.header_line}", evidence))
    return dialect


def _extra_fields(dialect: Dialect) -> int:
    """Empty fields that most records have beyond the header; a record that fills one is set aside later."""
    over = [row.fields for row in dialect.sample if row.fields and len(row.fields) > dialect.width]
    empty = [fields for fields in over if not any(cell.strip() for cell in fields[dialect.width :])]
    if len(empty) * 2 <= len(dialect.sample):
        return 0
    return Counter(len(fields) - dialect.width for fields in empty).most_common(1)[0][0]


def _no_header(rows: list[RowText], delimiter: str, width: int) -> Dialect:
    full = [i for i, row in enumerate(rows) if is_filled(row)]
    stamped = any(is_stamped(rows[i]) for i in full)
    names = [f"column {i + 1}" for i in range(width)]
    if full and not stamped:
        # names only, or nothing that looks like a table
        first = rows[full[0]]
        names = [mended(cell.strip()) for cell in first.fields or [first.text]]
        dialect = Dialect(delimiter, unique_names(names), names, header_line=first.line, data_line=first.line + 1)
        dialect.sample = [rows[i] for i in full[1:_SAMPLE_ROWS]]
        return dialect
    dialect = Dialect(delimiter, list(names), list(names), header_line=0, data_line=rows[0].line if rows else 1)
    dialect.sample = [rows[i] for i in full[:_SAMPLE_ROWS]]
    dialect.notes.append("there is no header: columns are named by place (column 1, column 2, …)")
    find_times(dialect, Source(path="x"))
    return dialect
