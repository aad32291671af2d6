"""The raw lines behind a citation, as they were exported: from a statement to the file in two clicks."""

from __future__ import annotations

import gzip
import io
import lzma
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO, cast

from forensics.intake import Exhibit, SourceResult
from forensics.intake.exhibits import open_again
from forensics.results.schema import CiteRow

MOST_LINES = 20
HEAD = 1
LONGEST_LINE = 400
_TEXT_KINDS = (".csv", ".txt", ".tsv", ".log", ".dat")
_PACKED = (".gz", ".xz")


@dataclass(frozen=True)
class RawBlock:
    """Lines of one file that a finding stands on.

    Attributes
    ----------
    lines
        Line number (from 1), text, and whether the finding cites the line; the first line of the file is given for
        the names of its columns.
    note
        What is not shown, and why.
    """

    source: str
    column: str
    where: str
    sha256: str
    lines: tuple[tuple[int, str, bool], ...] = ()
    note: str = ""


class RawLines:
    """Reads cited lines of a case's exports; each file is read once, for all citations of it together.

    Parameters
    ----------
    folder
        Folder of the case.
    readings
        Sources as they were read: their hashes, and the encoding that was used.
    cites
        All citations that will be asked for.
    """

    def __init__(self, folder: Path, readings: Sequence[SourceResult], cites: Sequence[CiteRow]) -> None:
        self._exhibits = {r.exhibit.path: r.exhibit for r in readings}
        self._sha256 = {r.exhibit.path: r.exhibit.sha256 for r in readings}
        self._encoding = {
            r.exhibit.path: next((str(d.value) for d in r.detections if d.what == "encoding"), "utf-8")
            for r in readings
        }
        wanted: dict[str, set[int]] = {}
        for cite in cites:
            if cite.source in self._sha256 and _is_text(cite.source):
                wanted.setdefault(cite.source, {HEAD}).update(shown_rows(cite.rows))
        self._lines = {source: self._read(folder / source, rows, source) for source, rows in wanted.items()}

    def _read(self, path: Path, rows: set[int], source: str) -> Mapping[int, str]:
        found: dict[int, str] = {}
        try:
            for number, text in enumerate(_lines(path, self._exhibits[source], self._encoding[source]), start=1):
                if number in rows:
                    found[number] = _short(text)
                if len(found) == len(rows):
                    break
        except (OSError, EOFError, LookupError, lzma.LZMAError):
            return {}  # the originals may have been moved since they were read; the block then says so
        return found

    def block(self, cite: CiteRow) -> RawBlock:
        """The lines of one citation, at most twenty."""
        first, last = cite.rows
        where = f"line {first}" if first == last else f"lines {first} to {last}"
        sha256 = self._sha256.get(cite.source, "not known")
        lines = self._lines.get(cite.source)
        if lines is None:
            note = "The file is no text: its rows are opened with the program that reads its format."
            return RawBlock(cite.source, cite.column, where.replace("line", "row"), sha256, note=note)
        rows = shown_rows(cite.rows)
        shown = [(n, lines[n], n != HEAD or first <= HEAD) for n in sorted({HEAD, *rows}) if n in lines]
        if not shown:
            return RawBlock(cite.source, cite.column, where, sha256, note="The file could not be read again.")
        left = last - first + 1 - len(rows)
        note = f"{left} lines between them are not shown." if left > 0 else ""
        return RawBlock(cite.source, cite.column, where, sha256, tuple(shown), note)


def shown_rows(rows: tuple[int, int], *, most: int = MOST_LINES) -> list[int]:
    """Which rows of a citation are shown: all, or the first and the last of them."""
    first, last = rows
    if last - first + 1 <= most - HEAD:
        return list(range(first, last + 1))
    half = (most - HEAD) // 2
    return [*range(first, first + half + 1), *range(last - half + 1, last + 1)]


def _is_text(source: str) -> bool:
    name = source.lower()
    for packed in _PACKED:
        name = name.removesuffix(packed)
    return name.endswith(_TEXT_KINDS)


def _unpacked(path: Path, raw: BinaryIO) -> IO[bytes]:
    """A file, unpacked as it is read."""
    if path.suffix.lower() == ".gz":
        return cast("IO[bytes]", gzip.open(raw, "rb"))
    if path.suffix.lower() == ".xz":
        return cast("IO[bytes]", lzma.open(raw, "rb"))
    return raw


def _lines(path: Path, exhibit: Exhibit, encoding: str) -> Iterator[str]:
    with (
        open_again(exhibit, path) as file,
        _unpacked(path, file) as raw,
        io.TextIOWrapper(raw, encoding=encoding, errors="replace", newline="") as text,
    ):
        for line in text:
            yield line.rstrip("\r\n")


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_LINE else f"{text[:LONGEST_LINE]} (line goes on)"
