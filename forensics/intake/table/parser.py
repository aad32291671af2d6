"""Two lanes of reading, one answer: plain blocks at the library's own speed, odd ones row by row.

A block goes through the fast lane when every line of it is one record of the right width whose stamp can be read; what
the fast lane can't vouch for is cut smaller and, where it is still odd, read by the careful lane, which gives each row
that it sets aside its line and its reason.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.arrow_arrays import numpy_of, string_array
from forensics.intake.result import SetAside
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.raw_table import Cells, Chunk, RawTable, Times, times_of
from forensics.intake.table.records import RowText, records, split_lines
from forensics.intake.table.row_filter import NO_TIME, NUL, REPEATED, ColumnMap, Wanted
from forensics.intake.timestamps.fields import EPOCH, TIME_ONLY, Fields, finer
from forensics.intake.timestamps.iso import IsoStamps, read_iso
from forensics.intake.timestamps.parse import read_fields
from forensics.intake.timestamps.split_columns import LastDate, read_times, together
from forensics.intake.unset_clocks import EARLIEST_NS, LATEST_NS
from forensics.model.points import Span

SMALL_BYTES = 256 << 10
_DAY_NS = 86_400 * 10**9
_MARGIN_NS = 2 * _DAY_NS
_TEXT_MAX = 2000
_SHOWN_SHAPES = 8  # examples for the report
_ONE_CHUNK_BYTES = 64 << 20  # a block in one chunk: its columns become arrays without another copy


@dataclass(frozen=True, slots=True)
class Prepared:
    """A block that was parsed ahead: number of lines, where its columns stood, and its table (None: not plain)."""

    count: int
    places: tuple[int, tuple[tuple[int, int | None], ...]]
    table: Any


@dataclass(slots=True)
class BlockReader:
    """Reads the blocks of one export in their order.

    Attributes
    ----------
    keep
        Rows that lie more than two days outside are dropped at once, counted; None keeps all.
    zone_offsets
        Zone letters to seconds from UTC, as the source's zone uses them.
    careful_only
        Takes no fast lane: for tests that hold both lanes to the same answer.
    base
        Added to every row: where the rows of this file begin among those of its source.
    """

    path: str
    dialect: Dialect
    wanted: Wanted
    order: str
    decimal: str
    keep: Span | None
    zone_offsets: dict[str, int]
    gathered: RawTable
    careful_only: bool = False
    base: int = 0
    standing: ColumnMap = field(init=False)
    text_columns: set[int] = field(default_factory=set)
    pending: str = ""
    pending_lines: int = 0
    last_local: int | None = None
    last_date: LastDate = field(default_factory=LastDate)
    next_date: LastDate = field(default_factory=LastDate)

    def __post_init__(self) -> None:
        self.standing = ColumnMap(self.dialect, self.wanted, self.gathered)

    @property
    def position(self) -> dict[int, int | None]:
        """Where each wanted column stands in the rows that come now; None where the latest header lacks it."""
        return self.standing.position

    @property
    def width(self) -> int:
        """Number of fields of the rows that come now."""
        return self.standing.width

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
        self._noted([iso.example], iso.resolution_ns)
        if not self.gathered.first_stamp:
            self.gathered.first_stamp = iso.example
        return Chunk(row, Times(iso.local, None, None), self._without_times(columns))

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

    # both lanes

    def stamps(self, columns: dict[int, Cells]) -> Fields:
        """Fields of the stamps that the time columns make together."""
        first, *others = self.wanted.time
        fields = read_fields(columns[first])
        beside = [read_times(columns[column]) for column in others]
        if self.dialect.sparse_dates:
            times = next((part for part in beside if bool((part.form == TIME_ONLY).any())), fields)
            self.next_date = self.last_date.fill(fields, _without_date(fields, columns[first]), times.tod_ns)
        for part in beside:
            fields = together(fields, part)
        self._resolve_zones(fields)
        return fields

    def _resolve_zones(self, fields: Fields) -> None:
        for letters, places in fields.zones.items():
            offset = self.zone_offsets.get(letters.upper())
            for where in places:
                if offset is None:
                    self.gathered.unknown_zones[letters] += len(where)
                else:
                    fields.offset_s[where] = offset

    def chunk(
        self, row: NDArray[np.int64], fields: Fields, columns: dict[int, Cells], chosen: NDArray[np.bool_] | None = None
    ) -> Chunk:
        """Rows with their times, the chosen ones of them; what their stamps tell is counted."""
        texts = columns[self.wanted.time[0]]
        self.last_date = self.next_date
        self.gathered.month_names |= fields.month_names
        self.gathered.numeric |= bool((fields.form == EPOCH).any())
        self._noted(fields.shapes, fields.resolution_ns)
        columns = self._without_times(columns)
        piece = Chunk(row, times_of(fields, self.order), columns)
        if chosen is not None:
            position = np.flatnonzero(chosen)
            piece = piece.take(chosen)
            if piece.times.fields is not None:
                piece.times = times_of(piece.times.fields, self.order)
            self._orders(fields.take(chosen), row[position], texts, position)
        else:
            self._orders(fields, row, texts, None)
        return piece

    def _noted(self, shapes: Sequence[str], resolution_ns: int) -> None:
        gathered = self.gathered
        gathered.resolution_ns = finer(gathered.resolution_ns, resolution_ns)
        gathered.shapes += list(shapes)[: max(0, _SHOWN_SHAPES - len(gathered.shapes))]

    def _without_times(self, columns: dict[int, Cells]) -> dict[int, Cells]:
        gone = set(self.wanted.time) - set(self.wanted.texts)
        return {number: cells for number, cells in columns.items() if number not in gone}

    def _orders(self, fields: Fields, row: NDArray[np.int64], texts: Any, position: NDArray[np.int64] | None) -> None:
        def text_at(index: int) -> str:
            return str(texts[int(position[index]) if position is not None else index].as_py())

        if not self.gathered.first_stamp and len(row):
            self.gathered.first_stamp = text_at(0)
        self.gathered.orders.look(fields, row, text_at)

    def keep_chunk(self, piece: Chunk) -> None:
        """Keep a piece, without the rows that lie far outside of what is asked for."""
        local = piece.times.local
        if local is not None and len(local):
            self.gathered.rising += int(np.count_nonzero(local[1:] > local[:-1]))
            self.gathered.falling += int(np.count_nonzero(local[1:] < local[:-1]))
            if self.last_local is not None:
                self.gathered.rising += int(local[0] > self.last_local)
                self.gathered.falling += int(local[0] < self.last_local)
            self.last_local = int(local[-1])
        if self.keep is not None and local is not None:
            near = (local >= self.keep.start_ns - _MARGIN_NS) & (local < self.keep.end_ns + _MARGIN_NS)
            if not near.all():
                far = local[~near]
                self.gathered.outside += len(far)
                self._reaches(far[(far >= EARLIEST_NS) & (far < LATEST_NS)])
                piece = piece.take(near)
        if len(piece.row):
            self.gathered.pieces.append(piece)

    def _reaches(self, far: NDArray[np.int64]) -> None:
        """Note how far an export reaches beyond what is kept; a clock that was not set reaches nowhere."""
        if not len(far):
            return
        g, low, high = self.gathered, int(far.min()), int(far.max())
        g.first_local = low if g.first_local is None else min(g.first_local, low)
        g.last_local = high if g.last_local is None else max(g.last_local, high)


def _without_date(fields: Fields, cells: Any) -> NDArray[np.bool_]:
    """Cells of a column of dates that are empty or hold a time alone."""
    import pyarrow.compute as pc

    empty = pc.equal(pc.utf8_trim_whitespace(pc.fill_null(cells, "")), "").to_numpy(zero_copy_only=False)
    return np.asarray((fields.form == TIME_ONLY) | ((fields.form < 0) & empty), bool)


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
