"""Whether a workbook is safe to unpack, and what its XML says that the cell reader does not tell.

Size and ratio are taken from what the archive really unpacks to, not from what it declares.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import unescape

import numpy as np
from numpy.typing import NDArray

from forensics.errors import Unsafe
from forensics.intake.typed.percent_cells import percent_rows, percent_styles
from forensics.model.paths import open_regular

_MAX_UNPACKED = 2 << 30
_MAX_RATIO = 250
_RATIO_FROM = 32 << 20
_MAX_ENTRIES = 10_000
_MAX_CELLS = 80_000_000
_CHUNK = 1 << 20
_QUICK_BYTES = 1 << 20
_HEAD_BYTES = 4096
_PARTS = frozenset({"content.xml", "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/styles.xml"})
_LETTERS = 26
_OLD_BINARY = b"\xd0\xcf\x11\xe0"
_SHEET = re.compile(rb"<(?:\w+:)?sheet\s[^>]*>")
_RELATION = re.compile(rb"<(?:\w+:)?Relationship\s[^>]*>")
_ATTRIBUTE = re.compile(rb"""([\w:.-]+)\s*=\s*(?:"([^"]*)"|'([^']*)')""")
_DATE_1904 = re.compile(rb"""<(?:\w+:)?workbookPr\b[^>]*\bdate1904\s*=\s*["'](?:1|true)["']""")
_HIDDEN_ROW = re.compile(rb"""<(?:\w+:)?row\s[^>]*\bhidden\s*=\s*["'](?:1|true)["']""")
# The pattern begins with plain bytes: the search for those is many times faster than for a class of bytes.
_BEYOND_26_COLUMNS = re.compile(rb'r="[A-Za-z]{2}')
_FAR_ROWS = re.compile(rb'dimension ref="[A-Z]+\d+:[A-Z]+\d{7,}"')
_CELL = re.compile(rb"""r\s*=\s*["']([A-Za-z]{0,3})(\d{1,10})["']""")
_ERROR_CELL = re.compile(
    rb"""<(?:\w+:)?c\b(?=[^>]*\bt="e")([^>]*)>(?:<(?:\w+:)?f\b[^>]*(?:/>|>.*?</(?:\w+:)?f>))?"""
    rb"""<(?:\w+:)?v>(#[^<]{1,20})</""",
    re.DOTALL,
)
_ODS_TABLE = re.compile(
    rb"""<table:table\s[^>]*table:name\s*=\s*["']([^"']*)["'][^>]*>(.*?)</table:table>""", re.DOTALL
)
_ODS_ROW = re.compile(rb"<table:table-row\b([^>]*?)(?:/>|>(.*?)</table:table-row>)", re.DOTALL)
_ODS_CELL = re.compile(
    rb"<table:(covered-)?table-cell\b([^>]*?)(?:/>|>(.*?)</table:(?:covered-)?table-cell>)", re.DOTALL
)
_ODS_HEAD_ROWS = 12
Merge = tuple[tuple[int, int], tuple[int, int]]


@dataclass(slots=True)
class Guarded:
    """What the archive says beside its cells."""

    date_system: str = "days-1900"
    _sheets: dict[str, bytes] = field(default_factory=dict)
    _ods: bytes = b""
    _percent: frozenset[int] = frozenset()

    def percent_rows(self, sheet: str) -> dict[int, NDArray[np.int64]]:
        """Rows of the cells that a sheet shows in per cent, by column."""
        if self._ods:
            return self._ods_percent(sheet)
        return percent_rows(self._sheets.get(sheet, b""), self._percent)

    def errors(self, sheet: str) -> dict[tuple[int, int], str]:
        """Errors of a sheet such as ``#N/A``, by row and column from 0, which the cell reader gives as empty cells.

        Source: ECMA-376 part 1, 18.18.11 (cell type ``e``).
        """
        text = self._sheets.get(sheet, b"")
        found: dict[tuple[int, int], str] = {}
        for cell in _ERROR_CELL.finditer(text) if b't="e"' in text else ():
            place = _CELL.search(cell[1])
            if place is not None:
                found[int(place[2]) - 1, _column(place[1]) - 1] = cell[2].decode("utf-8", "replace")
        return found

    def _ods_percent(self, sheet: str) -> dict[int, NDArray[np.int64]]:
        """Rows of the cells whose value type is a percentage (OpenDocument 1.3 part 3, 19.389), by column."""
        body = self._ods_body(sheet)
        found: dict[int, list[int]] = {}
        at = 0
        for match in _ODS_ROW.finditer(body) if b'"percentage"' in body else ():
            again = _count(_attributes(match[1]).get("table:number-rows-repeated", "1"))
            column = 0
            for cell in _ODS_CELL.finditer(match[2] or b""):
                told = _attributes(cell[2])
                wide = _count(told.get("table:number-columns-repeated", "1"))
                if told.get("office:value-type") == "percentage":
                    for place in range(column, column + wide):
                        found.setdefault(place, []).extend(range(at + 1, at + again + 1))
                column += wide
            at += again
        return {column: np.array(rows, np.int64) for column, rows in found.items()}

    def hidden_rows(self, sheet: str) -> int:
        """Number of hidden rows of a sheet."""
        if self._ods:
            body = self._ods_body(sheet)
            return len(re.findall(rb"""table:visibility\s*=\s*["'](?:collapse|filter)["']""", body)) if body else 0
        text = self._sheets.get(sheet, b"")
        return len(_HIDDEN_ROW.findall(text)) if b" hidden=" in text else 0

    def merged_ranges(self, sheet: str) -> list[Merge]:
        """Merged ranges in the first rows of an .ods sheet, which the cell reader does not give."""
        out: list[Merge] = []
        for row, match in enumerate(_ODS_ROW.finditer(self._ods_body(sheet))):
            if row >= _ODS_HEAD_ROWS:
                break
            column = 0
            for cell in _ODS_CELL.finditer(match[2] or b""):
                told = _attributes(cell[2])
                right = _count(told.get("table:number-columns-spanned", "1"))
                down = _count(told.get("table:number-rows-spanned", "1"))
                if right > 1 or down > 1:
                    out.append(((row, column), (row + down - 1, column + right - 1)))
                column += _count(told.get("table:number-columns-repeated", "1"))
        return out

    def _ods_body(self, sheet: str) -> bytes:
        for match in _ODS_TABLE.finditer(self._ods):
            if unescape(match[1].decode("utf-8", "replace"), {"&quot;": '"', "&apos;": "'"}) == sheet:
                return match[2]
        return b""


def _attributes(tag: bytes) -> dict[str, str]:
    found = {}
    for name, double, single in _ATTRIBUTE.findall(tag):
        text = (double or single).decode("utf-8", "replace")
        found[name.decode()] = unescape(text, {"&quot;": '"', "&apos;": "'"})
    return found


def guard(file: Path) -> Guarded:
    """Unpack an archive within bounds and read what stands around the cells.

    Raises
    ------
    Unsafe
        The file is no archive, unpacks beyond its bounds, or spans more cells than are read.
    OSError
        The file can't be read.
    """
    with open_regular(file) as stream:
        if stream.read(len(_OLD_BINARY)) == _OLD_BINARY:
            raise Unsafe(
                "the workbook is of the old binary form, or protected by a password: save it as .xlsx without one"
            )
    try:
        with open_regular(file) as stream, zipfile.ZipFile(stream) as archive:
            entries = archive.infolist()
            if len(entries) > _MAX_ENTRIES:
                raise Unsafe(f"the workbook holds {len(entries)} parts, more than {_MAX_ENTRIES}")
            parts = _unpack(archive, entries, file.stat().st_size)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as fault:
        if isinstance(fault, Unsafe):
            raise
        raise Unsafe(f"the file is not a whole workbook ({str(fault)[:80] or type(fault).__name__})") from None
    if "content.xml" in parts:
        return _guard_ods(parts["content.xml"])
    out = Guarded()
    book = parts.get("xl/workbook.xml", b"")
    if _DATE_1904.search(book):
        out.date_system = "days-1904"
    for path, text in parts.items():
        if path.startswith("xl/worksheets/"):
            _check_extent(text)
    out._sheets = _sheet_texts(book, parts)
    out._percent = percent_styles(parts.get("xl/styles.xml", b""))
    return out


def _unpack(archive: zipfile.ZipFile, entries: list[zipfile.ZipInfo], weight: int) -> dict[str, bytes]:
    """Unpack the parts that matter; every part counts, whatever its declared size."""
    total = 0
    kept: dict[str, bytes] = {}
    for entry in entries:
        chunks: list[bytes] = []
        name = entry.filename.replace("\\", "/").lstrip("/")
        matters = name in _PARTS or name.startswith("xl/worksheets/")
        with archive.open(entry) as stream:
            while chunk := stream.read(_CHUNK):
                total += len(chunk)
                if total > _MAX_UNPACKED or (total > _RATIO_FROM and total > _MAX_RATIO * max(weight, 1)):
                    raise Unsafe(
                        f"the workbook of {weight} bytes unpacks to more than {total >> 20} MiB: it is not opened"
                    )
                if matters:
                    chunks.append(chunk)
        if matters:
            kept[name] = b"".join(chunks)
    return kept


def _sheet_texts(book: bytes, parts: dict[str, bytes]) -> dict[str, bytes]:
    targets = {}
    for tag in _RELATION.findall(parts.get("xl/_rels/workbook.xml.rels", b"")):
        told = _attributes(tag)
        target = told.get("Target", "").lstrip("/")
        targets[told.get("Id", "")] = target if target.startswith("xl/") else f"xl/{target}"
    found = {}
    for tag in _SHEET.findall(book):
        told = _attributes(tag)
        relation = next((value for name, value in told.items() if name.endswith(":id")), "")
        found[told.get("name", "")] = parts.get(targets.get(relation, ""), b"")
    return found


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * _LETTERS + letter - 64
    return number


def _check_extent(text: bytes) -> None:
    """Refuse a sheet whose corners span more cells than are read: the reader makes a cell for each place between.

    One stray entry at the far corner is enough. Up to 26 columns are small enough whatever the rows; only beyond that,
    or in a sheet small enough to look at quickly, every reference is looked at.
    """
    if (
        len(text) > _QUICK_BYTES
        and _BEYOND_26_COLUMNS.search(text) is None
        and not _FAR_ROWS.search(text[:_HEAD_BYTES])
    ):
        return
    wide = last = cells = 1
    for match in _CELL.finditer(text):
        cells += 1
        wide, last = max(wide, _column(match[1])), max(last, int(match[2]))
    if last * wide > max(_MAX_CELLS, 10 * cells):
        raise Unsafe(f"a sheet of {cells} cells spans {last} rows and {wide} columns: it is not opened")


def _count(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 10**9 if text else 1  # noqa: PLR2004


def _guard_ods(text: bytes) -> Guarded:
    """Refuse an .ods whose repeated rows and cells with content unfold to more than is read."""
    total = 0
    for match in _ODS_ROW.finditer(text):
        told = _attributes(match[1])
        repeat = _count(told.get("table:number-rows-repeated", "1"))
        width = 0
        for cell in _ODS_CELL.finditer(match[2] or b""):
            if cell[3] or b"office:value" in cell[2]:
                width += _count(_attributes(cell[2]).get("table:number-columns-repeated", "1"))
        total += repeat * width
        if total > _MAX_CELLS:
            raise Unsafe(f"a sheet unfolds to more than {_MAX_CELLS} cells: it is not opened")
    return Guarded(_ods=text)
