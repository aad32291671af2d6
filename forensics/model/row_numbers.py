"""Rows of a source of several files: one number that tells file and row, and how a sentence names it."""

from __future__ import annotations

FILE_ROWS = 1 << 40  # rows of the n-th file of a source of several begin at n times this; those of a single file at 0


def place_of(row: int) -> tuple[int, int]:
    """Number of the file of a source, from 1 (0: the source is one file), and the row in that file."""
    return row // FILE_ROWS, row % FILE_ROWS


def said_row(row: int) -> str:
    """A row as a sentence names it: ``12``, or ``12 of file 3`` where the source has several files."""
    file, line = place_of(row)
    return f"{line} of file {file}" if file else str(line)
