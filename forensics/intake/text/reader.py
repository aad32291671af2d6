"""Reads one delimited text export, from its bytes to its points."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.points.ambiguous_names import ask_which_machine
from forensics.intake.points.assemble import bind_points
from forensics.intake.points.find_layout import Layout, find_layout, wanted_columns
from forensics.intake.points.footers import footer_rows, say_counts
from forensics.intake.points.preconditions import has_time, no_records, without_points
from forensics.intake.result import Detection, SetAside, SourceResult
from forensics.intake.table.decimal_mark import MarkDecision, decide_marks
from forensics.intake.table.dialect import Dialect, find_dialect
from forensics.intake.table.parser import BlockReader, Prepared
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.records import split_lines
from forensics.intake.text.streams import (
    SAMPLE_BYTES,
    ByteSource,
    UnreadableError,
    WrongEncodingError,
    encoding_of,
    line_blocks,
)
from forensics.intake.timestamps.zones import zone_letters

CUT = "record cut at the end of the data"
_BLANK = b"\r\n \t\0,;|\xef\xbb\xbf"
_JSON = re.compile(rb'\s*(?:\{\s*["}]|\[\s*[\[{\]])')
_END_BYTES, _END_LINES, _FEW_LINES = 8192, 20, 3


def read_text(job: SourceJob, exhibit: Exhibit, *, careful_only: bool = False) -> SourceResult:
    """Read one delimited text export.

    Parameters
    ----------
    careful_only
        Reads every row in the careful lane: the answer is the same, slower.
    """
    source = ByteSource(exhibit.file)
    if exhibit.size == 0:
        raise UnreadableError("the file is empty (0 bytes).", "Export it again.")
    codec, name, evidence = encoding_of(source.sample(), job.source.encoding)
    try:
        return _Reading(job, exhibit, source, codec, careful_only=careful_only).run(name, evidence)
    except WrongEncodingError as fault:
        if job.source.encoding:
            raise UnreadableError(
                f"byte {fault.offset} is not text in {name}, the encoding given in the case file.",
                "Correct encoding, or leave it out.",
            ) from None
        again = f"the byte at offset {fault.offset} is not {name}"
        job.found.clear()
        return _Reading(job, exhibit, source, "cp1252", careful_only=careful_only).run("cp1252", again)


@dataclass(slots=True)
class _Reading:
    job: SourceJob
    exhibit: Exhibit
    source: ByteSource
    codec: str
    careful_only: bool
    lines: int = 0
    notes: list[str] = field(default_factory=list)

    def run(self, encoding: str, evidence: str) -> SourceResult:
        head = self._head()
        refuse_other_text(head, self.exhibit.size)
        dialect = find_dialect(head, self.job.source)
        self.job.names = list(dialect.names)
        layout = find_layout(self.job, dialect)
        detections = [Detection("encoding", encoding, evidence), *dialect.detections, *layout.detections]
        if not has_time(self.job, dialect):
            return without_points(self.job, self.exhibit, dialect, layout, detections)
        ask_which_machine(self.job, dialect, layout)
        marks = decide_marks(self.job.source, _cells(dialect, layout))
        gathered = self._gather(dialect, layout, marks)
        sha256 = self.source.digest.hexdigest() if self.source.hashed else "-"
        exhibit = replace(self.exhibit, sha256=sha256)
        footer_rows(gathered, dialect)
        if self.source.cut:
            self.job.note(f"{self.source.cut}; what comes before was read.")
            self.notes.append(self.source.cut)
        if not gathered.pieces and not gathered.outside:
            return no_records(self.job, exhibit, dialect, layout, gathered, detections)
        reading = bind_points(self.job, exhibit, dialect, layout, gathered, marks, self.texts)
        say_counts(self.job, dialect, reading, gathered, self.lines)
        return replace(
            reading,
            detections=(*detections, *reading.detections),
            notes=(*dialect.notes, *self.notes, *reading.notes),
        )

    def _head(self) -> bytes:
        """First lines as UTF-8; an incomplete last one is left out where more follow."""
        out = b""
        for block, last in line_blocks(ByteSource(self.exhibit.file), self.codec, SAMPLE_BYTES):
            out += block
            if last or len(out) >= SAMPLE_BYTES:
                break
        return out

    def _gather(self, dialect: Dialect, layout: Layout, marks: MarkDecision) -> RawTable:
        gathered = RawTable(decimal=marks.marks.decimal)
        reader = BlockReader(
            path=self.job.path,
            dialect=dialect,
            wanted=wanted_columns(dialect, layout),
            order=self.job.source.date_order or "",
            decimal=marks.marks.decimal,
            keep=self.job.keep,
            zone_offsets=zone_letters(self.job.zone),
            gathered=gathered,
            careful_only=self.careful_only,
        )
        if not marks.settled:
            reader.text_columns.update(reader.wanted.numbers)
        line, tail = dialect.data_line, b""
        for body, last, prepared in _ahead(_below(self.source, self.codec, dialect.data_line), reader):
            whole, cut = _cut_record(body) if last and self.source.cut else (body, b"")
            tail = b"" if cut else tail[-_END_BYTES:] + body[-_END_BYTES:]
            line = reader.read(whole, line, last=last, prepared=None if cut else prepared)
            if cut:
                gathered.rows_read += 1
                gathered.aside.append(SetAside(self.job.path, line, CUT, cut.decode("utf-8", "replace")[:200]))
                line += 1
        self.lines = line - 1
        self.notes.extend(_short_end(tail, dialect.delimiter))
        return gathered

    def texts(self, rows: list[int]) -> dict[int, str]:
        """Text of physical lines, read again from the file."""
        wanted = np.array(sorted(set(rows)), np.int64)
        out: dict[int, str] = {}
        line = 1
        for block, _ in line_blocks(ByteSource(self.exhibit.file), self.codec):
            count = block.count(b"\n") + (0 if block.endswith(b"\n") else 1)
            low, high = np.searchsorted(wanted, [line, line + count])
            if high > low:
                ends = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
                for number in wanted[low:high]:
                    at = int(number) - line
                    start = int(ends[at - 1]) + 1 if at else 0
                    end = int(ends[at]) if at < len(ends) else len(block)
                    out[int(number)] = block[start:end].decode("utf-8", "replace").rstrip("\r")
            line += count
            if high == len(wanted):
                break
        return out


def refuse_other_text(head: bytes, size: int) -> None:
    """Raise where an export holds no table: nothing, blank lines, NUL bytes, or records of JSON."""
    if not head.strip(_BLANK):
        blank = len(split_lines(head))
        if b"\0" in head:
            raise UnreadableError(f"only NUL bytes ({size}).", "Copy the file again from its origin.")
        if not blank:
            raise UnreadableError(f"the file is empty ({size} bytes, no text in them).", "Export it again.")
        raise UnreadableError(f"only blank lines ({blank}).", "Export it again.")
    if _JSON.match(head):
        raise UnreadableError("the file holds JSON, not a table.", "Export it as delimited text or as a workbook.")


def _cut_record(body: bytes) -> tuple[bytes, bytes]:
    """Whole lines, and what comes after the last line end: where the bytes end early it is part of a record."""
    end = body.rfind(b"\n") + 1
    return body[:end], body[end:]


def _short_end(body: bytes, delimiter: str) -> list[str]:
    """What to say where the last line has no line end and its last field is shorter than in the lines above it."""
    if not body or body.endswith(b"\n"):
        return []
    *above, last = body.split(b"\n")[1:] or [b""]
    mark = delimiter.encode()
    lengths = [len(line.rstrip(b"\r").rpartition(mark)[2]) for line in above[-_END_LINES:] if mark in line]
    field_text = last.rpartition(mark)[2]
    if mark not in last or len(lengths) < _FEW_LINES or len(field_text) >= min(lengths):
        return []
    shown = field_text.decode("utf-8", "replace")
    return [f"the last line has no line end, and its last field '{shown}' is shorter than above: it may be cut"]


def _below(source: ByteSource, codec: str, data_line: int) -> Iterator[tuple[bytes, bool]]:
    """Blocks from the first record on."""
    line = 1
    for block, last in line_blocks(source, codec):
        body = block
        if line < data_line:
            body, line = _after(block, line, data_line)
            if line < data_line:
                continue
        yield body, last


def _ahead(blocks: Iterator[tuple[bytes, bool]], reader: BlockReader) -> Iterator[tuple[bytes, bool, Prepared]]:
    """Blocks with the next one being read, hashed and parsed while this one is judged."""

    def step() -> tuple[bytes, bool, Prepared] | None:
        block = next(blocks, None)
        return None if block is None else (block[0], block[1], reader.prepare(block[0]))

    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(step)
        while (item := waiting.result()) is not None:
            waiting = pool.submit(step)
            yield item


def _after(block: bytes, line: int, data_line: int) -> tuple[bytes, int]:
    """The part of a block from a line on, and that line's number."""
    start = 0
    while line < data_line:
        end = block.find(b"\n", start)
        if end < 0:
            return b"", line + 1
        start = end + 1
        line += 1
    return block[start:], line


def _cells(dialect: Dialect, layout: Layout) -> list[tuple[int, int, str]]:
    """Cells of the first records that may be numbers, the time columns left out."""
    skip = {*dialect.time_columns, layout.point_column}
    return [
        (column, line, text)
        for column in range(dialect.width)
        if column not in skip
        for line, text in dialect.samples_of(column)
    ]
