"""Two lanes of reading, one answer: plain blocks at the library's own speed, odd ones row by row.

A block goes through the fast lane when every line of it is one record of the right width whose stamp can be read; what
the fast lane can't vouch for is cut smaller and, where it is still odd, read by the careful lane, which gives each row
that it sets aside its line and its reason.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.arrow_arrays import numpy_of, string_array
from forensics.intake.result import SetAside
from forensics.intake.table.chunks import ChunkMaker
from forensics.intake.table.raw_table import Cells, Chunk, Times
from forensics.intake.table.records import RowText, records, split_lines
from forensics.intake.table.row_filter import NO_TIME, NUL, REPEATED
from forensics.intake.timestamps.fields import TIME_ONLY
from forensics.intake.timestamps.iso import IsoStamps, read_iso

SMALL_BYTES = 256 << 10
_TEXT_MAX = 2000
_ONE_CHUNK_BYTES = 64 << 20  # a block in one chunk: its columns become arrays without another copy


@dataclass(frozen=True, slots=True)
class Prepared:
    """A block that was parsed ahead: number of lines, where its columns stood, and its table (None: not plain)."""

    count: int
    places: tuple[int, tuple[tuple[int, int | None], ...]]
    table: Any


@dataclass(slots=True)
class BlockReader(ChunkMaker):
    """Reads the blocks of one export in their order."""

    def prepare(self, block: bytes) -> Prepared:
        """Parse a block ahead of its turn; :meth:`read` takes it where the columns still stand where they stood."""
        count = block.count(b"\n") + (0 if block.endswith(b"\n") or not block else 1)
        places = (self.width, tuple(self.position.items()))
        if self.careful_only or not count or self._is_odd(block):
            return Prepared(count, places, None)
        return Prepared(count, places, self._parse(block, count))

    def read(self, block: bytes, first_line: int, *, last: bool, prepared: Prepared | None = None) -> int:
        """Read one block of whole lines; returns the number of the line after it."""
        if prepared is None or prepared.places != (self.width, tuple(self.position.items())):
            prepared = self.prepare(block)
        count = prepared.count
        if not count and not self.pending:
            return first_line
        piece = None if self.pending else self._fast(block, first_line, prepared)
        if piece is not None:
            self.keep_chunk(piece)
        elif len(block) > SMALL_BYTES * 2 and not self.careful_only:
            start = first_line
            for part, is_last in _cut(block):
                start = self.read(part, start, last=last and is_last)
        else:
            self._careful(block, first_line, last=last)
        return first_line + count

    # fast lane

    def _is_odd(self, block: bytes) -> bool:
        return (
            b"\0" in block
            or (not block.isascii() and codecs.BOM_UTF8 in block)
            or _odd_ends(block)
            or _odd_quotes(block, self.dialect.delimiter)
            or any(self.position[column] is None for column in self.position)
        )

    def _fast(self, block: bytes, first_line: int, prepared: Prepared) -> Chunk | None:
        table, count = prepared.table, prepared.count
        if table is None:
            return None
        columns: dict[int, Cells] = {}
        for column in self.wanted.all():
            cells = table.column(str(self.position[column]))
            if column in self.wanted.numbers and str(cells.type) == "double":
                columns[column] = numpy_of(cells, np.float64)
                if not self._is_plain(columns[column], cells.null_count):
                    self.text_columns.add(column)
                    return self._fast(block, first_line, self.prepare(block))
            else:
                columns[column] = cells
        if self.dialect.phantom and self.width == self.dialect.width:
            import pyarrow.compute as pc

            for place in range(self.width, self.width + self.dialect.phantom):
                extra = table.column(str(place))
                if pc.any(pc.not_equal(pc.fill_null(extra, ""), "")).as_py():
                    return None
            self.gathered.extra(first_line, first_line + count - 1)
        row = np.arange(self.base + first_line, self.base + first_line + count, dtype=np.int64)
        iso = read_iso(columns[self.wanted.time[0]]) if len(self.wanted.time) == 1 else None
        if iso is not None:
            self.gathered.rows_read += count
            return self._iso_chunk(row, iso, columns)
        fields = self.stamps(columns)
        if bool((fields.form < 0).any()) or bool((fields.form == TIME_ONLY).any()):
            return None
        self.gathered.rows_read += count
        return self.chunk(row, fields, columns)

    def _iso_chunk(self, row: NDArray[np.int64], iso: IsoStamps, columns: dict[int, Cells]) -> Chunk:
        """Rows whose stamps are year-first and all of one form: nothing about them is open."""
        self.noted([iso.example], iso.resolution_ns)
        if not self.gathered.first_stamp:
            self.gathered.first_stamp = iso.example
        return Chunk(row, Times(iso.local, None, None), self.without_times(columns))

    def _parse(self, block: bytes, count: int) -> Any:
        import pyarrow as pa
        from pyarrow import csv

        width = self.width + (self.dialect.phantom if self.width == self.dialect.width else 0)
        names = [str(i) for i in range(width)]
        include = sorted({int(p) for p in self.position.values() if p is not None})
        include.extend(range(self.width, width))
        for _ in range(4):
            types: dict[str, Any] = {str(i): pa.string() for i in include}
            for column in self.wanted.words:
                types[str(self.position[column])] = pa.dictionary(pa.int32(), pa.string())
            for column in self.wanted.numbers:
                if column not in self.text_columns:
                    types[str(self.position[column])] = pa.float64()
            for column in self.wanted.time:
                types[str(self.position[column])] = pa.string()
            try:
                table = csv.read_csv(
                    pa.BufferReader(block),
                    read_options=csv.ReadOptions(column_names=names, block_size=_ONE_CHUNK_BYTES),
                    parse_options=csv.ParseOptions(delimiter=self.dialect.delimiter, newlines_in_values=False),
                    convert_options=csv.ConvertOptions(
                        include_columns=[str(i) for i in include],
                        column_types=types,
                        null_values=[""],
                        strings_can_be_null=False,
                        decimal_point=self.decimal or ".",
                        check_utf8=False,
                    ),
                )
            except pa.ArrowInvalid as fault:
                failed = re.search(r"In CSV column #(\d+)", str(fault))
                if failed is None:
                    return None
                hit = [c for c in self.wanted.numbers if self.position[c] == int(failed[1])]
                if not hit or hit[0] in self.text_columns:
                    return None
                self.text_columns.add(hit[0])
                continue
            return table if table.num_rows == count else None
        self.text_columns.update(self.wanted.numbers)
        return None

    @staticmethod
    def _is_plain(values: NDArray[np.float64], empty: int) -> bool:
        """Whether a column holds no texts such as ``nan`` or ``inf``, which the library reads as numbers."""
        return bool(np.isfinite(values.sum())) if not empty else int((~np.isfinite(values)).sum()) == empty

    # careful lane

    def _careful(self, block: bytes, first_line: int, *, last: bool) -> None:
        lines = split_lines(block)
        if self.pending:
            lines = [*self.pending.split("\n"), *lines]
            first_line -= self.pending_lines
            self.pending, self.pending_lines = "", 0
        good: list[RowText] = []
        delimiter = self.dialect.delimiter
        for record in records(lines, delimiter, first_line, self.width):
            if record.fields is None and not last and record.line + 50 > first_line + len(lines):
                rest = lines[record.line - first_line :]
                self.pending, self.pending_lines = "\n".join(rest), len(rest)
                break
            self.gathered.rows_read += 1
            reason = self.standing.reason(record)
            if reason == REPEATED:
                self._flush(good)
                good = []
                self.standing.remap(record)
            if reason:
                self.set_aside(record, reason)
            else:
                good.append(record)
        self._flush(good)

    def _flush(self, good: Sequence[RowText]) -> None:
        """Turn records into a piece; those whose stamp can't be read are set aside."""
        if not good:
            return
        columns: dict[int, Cells] = {}
        for column in self.wanted.all():
            place = self.position[column]
            absent = self.standing.absent(column)
            texts = [(record.fields or [])[place] if place is not None else absent for record in good]
            columns[column] = string_array(texts)
        self.gathered.careful_rows += len(good)
        fields = self.stamps(columns)
        bad = (fields.form < 0) | (fields.form == TIME_ONLY)
        row = np.array([self.base + record.line for record in good], np.int64)
        for index in np.flatnonzero(bad):
            self.set_aside(good[int(index)], NO_TIME)
        for name, place in fields.bad_months.items():
            self.gathered.bad_months.setdefault(name, (int(row[place]), good[place].text))
        if bad.all():
            return
        piece = self.chunk(row, fields, columns, None if not bad.any() else ~bad)
        self.keep_chunk(piece)

    def set_aside(self, record: RowText, reason: str) -> None:
        """List one row that is not kept."""
        text = record.text.replace("\0", "")
        if reason == NUL:
            text = f"{text[:200]} (and {record.text.count(chr(0))} NUL bytes)"
        self.gathered.aside.append(SetAside(self.path, record.line, reason, text[:_TEXT_MAX]))


def _odd_ends(block: bytes) -> bool:
    """Whether carriage returns stand elsewhere than before a line feed."""
    return b"\r" in block and block.count(b"\r") != block.count(b"\r\n")


def _odd_quotes(block: bytes, delimiter: str) -> bool:
    """Whether a quote stands inside a field: doubled, stray, or with text outside it."""
    if b'"' not in block:
        return False
    mark = re.escape(delimiter.encode())
    other = rb"[^\r\n" + mark + rb"]"
    return re.search(other + rb'"' + other + rb"|" + other + rb'""|""' + other, block) is not None


def _cut(block: bytes) -> list[tuple[bytes, bool]]:
    """Smaller blocks of whole lines, and whether each is the last."""
    parts = []
    start = 0
    while start < len(block):
        end = block.find(b"\n", min(start + SMALL_BYTES, len(block)) - 1) + 1
        if not end:
            end = len(block)
        parts.append(block[start:end])
        start = end
    return [(part, i == len(parts) - 1) for i, part in enumerate(parts)]
