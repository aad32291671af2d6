"""The careful lane's rows: physical lines to records of fields, each with the line it begins on."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

_STAMPED = re.compile(r"\W*\d{1,4}[-/.:]\d{1,2}[-/.:]\d")
_MOST_LINES = 50  # a quoted field does not run over more lines than this: beyond it the quote was never closed


@dataclass(frozen=True, slots=True)
class RowText:
    """One record: first physical line (from 1), number of lines, raw text, fields; None where a quote never closes."""

    line: int
    lines: int
    text: str
    fields: list[str] | None


def split_lines(block: bytes) -> list[str]:
    """Physical lines of a UTF-8 block, without their ends."""
    text = block.decode("utf-8", "replace")
    lines = text.split("\n")
    if lines and lines[-1] == "":
        lines.pop()
    if "\ufeff" in text:  # exports that were joined carry the byte order mark of each
        lines = [line.replace("\ufeff", "") for line in lines]
    return [line.rstrip("\r") for line in lines]


def parse(text: str, delimiter: str) -> list[str]:
    """Fields of one record."""
    if '"' not in text:
        return text.split(delimiter)
    csv.field_size_limit(1 << 30)
    try:
        return next(csv.reader([text], delimiter=delimiter), [""])
    except csv.Error:
        return text.split(delimiter)


def records(lines: list[str], delimiter: str, first_line: int, width: int | None) -> Iterator[RowText]:
    """Records of consecutive lines.

    A line whose quotes do not pair is joined with the next ones as long as the whole has the right number of fields;
    else the line alone is given with ``fields`` None.
    """
    position = 0
    while position < len(lines):
        text = lines[position]
        if not _is_open(text, delimiter):
            yield RowText(first_line + position, 1, text, parse(text, delimiter))
            position += 1
            continue
        joined, used = _close(lines, position, delimiter, width)
        if used:
            yield RowText(first_line + position, used, joined, parse(joined.replace("\n", " "), delimiter))
            position += used
        else:
            yield RowText(first_line + position, 1, text, None)
            position += 1


def _is_open(text: str, delimiter: str) -> bool:
    """Whether a quoted field is still open at the end of the text."""
    if '"' not in text:
        return False
    inside, at_start, position = False, True, 0
    while position < len(text):
        character = text[position]
        if inside:
            if character == '"':
                if text[position + 1 : position + 2] == '"':
                    position += 1
                else:
                    inside = False
        elif character == '"' and at_start:
            inside = True
        at_start = not inside and character == delimiter
        position += 1
    return inside


def _close(lines: list[str], start: int, delimiter: str, width: int | None) -> tuple[str, int]:
    joined = lines[start]
    for used in range(2, min(_MOST_LINES, len(lines) - start) + 1):
        more = lines[start + used - 1]
        if _STAMPED.match(more) or (width is not None and width > 1 and len(parse(more, delimiter)) == width):
            return "", 0  # a record of its own: the quote before it was never closed
        joined = f"{joined}\n{more}"
        if not _is_open(joined, delimiter):
            fields = parse(joined.replace("\n", " "), delimiter)
            return (joined, used) if width is None or len(fields) == width else ("", 0)
    return "", 0
