"""Opens a delimited text export: its encoding, its layout, and its blocks of lines."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from forensics.case.exports import Source
from forensics.errors import UnreadableError, WrongEncodingError
from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.result import Detection, SetAside
from forensics.intake.table.decimal_mark import MarkDecision, decide_marks
from forensics.intake.table.dialect import find_dialect, like
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.parser import BlockReader, Prepared
from forensics.intake.table.records import split_lines
from forensics.intake.table.row_filter import Wanted
from forensics.intake.text.streams import SAMPLE_BYTES, ByteSource, encoding_of, line_blocks

CUT = "record cut at the end of the data"
_BLANK = b"\r\n \t\0,;|\xef\xbb\xbf"
_JSON = re.compile(rb'\s*(?:\{\s*["}]|\[\s*[\[{\]])')
_SAMPLE_OF_NEXT = 32 << 10
_END_BYTES, _END_LINES, _FEW_LINES = 8192, 20, 3


@dataclass(slots=True)
class TextExport:
    """A delimited text export (a :class:`~forensics.intake.table.export.TableExport`).

    ``top`` is what stands above its first record.
    """

    exhibit: Exhibit
    source: Source
    stream: ByteSource
    codec: str
    encoding: str
    dialect: Dialect
    detections: tuple[Detection, ...]
    notes: list[str] = field(default_factory=list)
    cut: str = ""
    last_row: int = 0
    top: bytes = b""

    def asks(self, job: SourceJob) -> bool:
        """Text has no question of its own."""
        return False

    def marks(self, source: Source, wanted: Wanted, skip: frozenset[int]) -> MarkDecision:
        """Marks from the cells of the first records."""
        return decide_marks(source, _cells(self.dialect, skip))

    def gather(self, reader: BlockReader, source: Source) -> None:
        """Hand every block to the reader, the next one being read, hashed and parsed beside it."""
        line, tail = self.dialect.data_line, b""
        for body, last, prepared in _ahead(_below(self.stream, self.codec, self.dialect.data_line), reader):
            whole, cut = _cut_record(body) if last and self.stream.cut else (body, b"")
            tail = b"" if cut else tail[-_END_BYTES:] + body[-_END_BYTES:]
            line = reader.read(whole, line, last=last, prepared=None if cut else prepared)
            if cut:
                reader.gathered.rows_read += 1
                text = cut.decode("utf-8", "replace")[:200]
                reader.gathered.aside.append(SetAside(self.exhibit.path, line, CUT, text))
                line += 1
        self.last_row = line - 1
        self.cut = self.stream.cut
        if self.cut:
            self.notes.append(self.cut)
        self.notes.extend(_short_end(tail, self.dialect.delimiter))
        if self.stream.hashed:
            self.exhibit = replace(self.exhibit, sha256=self.stream.digest.hexdigest())

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

    def again(self, fault: WrongEncodingError) -> TextExport:
        """The text as cp1252, where nothing told its encoding.

        Raises
        ------
        UnreadableError
            The case file gives the encoding.
        """
        if self.source.encoding:
            raise _not_in(self.encoding, fault)
        seen = f"the byte at offset {fault.offset} is not {self.encoding}"
        return _opened(self.exhibit, self.source, "cp1252", "cp1252", seen)


def open_text(exhibit: Exhibit, source: Source, first: TextExport | None = None) -> TextExport:
    """Open a text export: a byte order mark, then strict UTF-8, then what the case says, else cp1252 with a note.

    Parameters
    ----------
    first
        The first file of the same logger: what stands above its records need not be looked at again where it is the
        same here.

    Raises
    ------
    UnreadableError
        It holds no text, no table, or none in the encoding that was told.
    """
    if exhibit.size == 0:
        raise UnreadableError("the file is empty (0 bytes).", "Export it again.")
    codec, name, evidence = encoding_of(ByteSource(exhibit.file).sample(), source.encoding)
    try:
        return _opened(exhibit, source, codec, name, evidence, first)
    except WrongEncodingError as fault:
        if source.encoding:
            raise _not_in(name, fault) from None
        seen = f"the byte at offset {fault.offset} is not {name}"
        return _opened(exhibit, source, "cp1252", "cp1252", seen)


def _not_in(name: str, fault: WrongEncodingError) -> UnreadableError:
    return UnreadableError(
        f"byte {fault.offset} is not text in {name}, the encoding given in the case file.",
        "Correct encoding, or leave it out.",
    )


def _opened(
    exhibit: Exhibit, source: Source, codec: str, name: str, evidence: str, first: TextExport | None = None
) -> TextExport:
    head = _head(exhibit, codec)
    _refuse_other_text(head, exhibit.size)
    if first is not None and first.top and first.codec == codec and head.startswith(first.top):
        dialect, top = like(first.dialect, head[len(first.top) :][:_SAMPLE_OF_NEXT]), first.top
    else:
        dialect = find_dialect(head, source)
        top = b"".join(head.splitlines(keepends=True)[: dialect.data_line - 1])
    seen = (Detection("encoding", name, evidence),)
    return TextExport(
        exhibit=exhibit,
        source=source,
        stream=ByteSource(exhibit.file),
        codec=codec,
        encoding=name,
        dialect=dialect,
        detections=seen,
        top=top,
    )


def _head(exhibit: Exhibit, codec: str) -> bytes:
    """First lines as UTF-8; an incomplete last one is left out where more follow."""
    out = b""
    for block, last in line_blocks(ByteSource(exhibit.file), codec, SAMPLE_BYTES):
        out += block
        if last or len(out) >= SAMPLE_BYTES:
            break
    return out


def _refuse_other_text(head: bytes, size: int) -> None:
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
    """Blocks in their order: while one is judged the next one is parsed, and the one after it read and hashed."""
    with ThreadPoolExecutor(2) as pool:
        reading = pool.submit(next, blocks, None)
        waiting: tuple[tuple[bytes, bool], Future[Prepared]] | None = None
        while (block := reading.result()) is not None:
            reading = pool.submit(next, blocks, None)
            parsing = pool.submit(reader.prepare, block[0])
            if waiting is not None:
                yield *waiting[0], waiting[1].result()
            waiting = (block, parsing)
        if waiting is not None:
            yield *waiting[0], waiting[1].result()


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


def _cells(dialect: Dialect, skip: frozenset[int]) -> list[tuple[int, int, str]]:
    """Cells of the first records that may be numbers."""
    return [
        (column, line, text)
        for column in range(dialect.width)
        if column not in skip
        for line, text in dialect.samples_of(column)
    ]
