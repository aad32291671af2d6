"""What the lanes of reading hand on: columns, the row each cell came from, and times that are not yet UTC."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.arrow_arrays import numpy_of
from forensics.intake.result import SetAside
from forensics.intake.table.values import EMPTY, Marks, Numbers, Reasons, read_numbers
from forensics.intake.timestamps.date_order import OrderCount, local_ns
from forensics.intake.timestamps.fields import EPOCH, FIXED, NO_OFFSET, Fields, joined

Cells = Any  # float64 array (NaN: empty cell), or a pyarrow array of text, plain or dictionary-encoded


@dataclass(slots=True)
class Times:
    """Times of one block.

    Attributes
    ----------
    local
        Wall-clock ns (or UTC ns where ``offset`` is 0), for a block whose stamps need no decision; else None.
    offset
        int32 s, NO_OFFSET where the stamp carries none; None where no stamp of the block carries one.
    fields
        Kept where day and month, or the unit of a number, are still to be decided.
    """

    local: NDArray[np.int64] | None
    offset: NDArray[np.int32] | None
    fields: Fields | None

    def __len__(self) -> int:
        return len(self.local) if self.local is not None else len(self.fields or ())

    def take(self, chosen: NDArray[Any]) -> Times:
        """Some of the rows."""
        return Times(
            None if self.local is None else self.local[chosen],
            None if self.offset is None else self.offset[chosen],
            None if self.fields is None else self.fields.take(chosen),
        )


def times_of(fields: Fields, order: str) -> Times:
    """Times of a block: settled where every stamp is FIXED (or an order was told), else its fields."""
    simple = bool((fields.form == FIXED).all())
    if fields.yearless or (not simple and (not order or bool((fields.form == EPOCH).any()))):
        return Times(None, None, fields)
    local, good = local_ns(fields, order)
    if not good.all():
        return Times(None, None, fields)
    has_offset = fields.offset_s != NO_OFFSET
    return Times(local, fields.offset_s if has_offset.any() else None, None)


@dataclass(slots=True)
class Chunk:
    """One block: rows that have a readable stamp, with their columns by number."""

    row: NDArray[np.int64]
    times: Times
    columns: dict[int, Cells]

    def take(self, chosen: NDArray[Any]) -> Chunk:
        """Some of the rows."""
        import pyarrow as pa

        position = np.flatnonzero(chosen) if chosen.dtype == bool else chosen
        taken = pa.array(position)
        return Chunk(
            self.row[position],
            self.times.take(position),
            {
                number: cells[position] if isinstance(cells, np.ndarray) else cells.take(taken)
                for number, cells in self.columns.items()
            },
        )


@dataclass(frozen=True, slots=True)
class FileCounts:
    """What was counted in one file of several: rows read, rows far outside the window and the range of their times."""

    path: str
    rows_read: int
    outside: int
    first_local: int | None
    last_local: int | None


@dataclass(slots=True)
class RawTable:
    """All of one export, read but not yet judged.

    Attributes
    ----------
    rows_read
        Records below the header.
    aside
        Rows set aside while reading, listed; ``outside`` counts those dropped because they lie far outside the window.
    orders
        Evidence for the order of day and month.
    rising, falling
        Steps between neighbouring stamps, counted before rows were dropped.
    numeric
        Whether any stamp is a number: a Unix time or a sheet's day number.
    decimal
        Mark with which numbers are written where they are wanted as text again: that of the file.
    unit_changes
        Columns whose units row changes below: line, unit before, unit from there on.
    first_local, last_local
        Range of wall-clock times of dropped rows.
    files
        Where the source has several files, each of them in the order of their rows.
    """

    rows_read: int = 0
    pieces: list[Chunk] = field(default_factory=list)
    aside: list[SetAside] = field(default_factory=list)
    outside: int = 0
    orders: OrderCount = field(default_factory=OrderCount)
    rising: int = 0
    falling: int = 0
    first_local: int | None = None
    last_local: int | None = None
    resolution_ns: int = 0
    unknown_zones: Counter[str] = field(default_factory=Counter)
    month_names: set[str] = field(default_factory=set)
    bad_months: dict[str, tuple[int, str]] = field(default_factory=dict)
    extra_empty: list[tuple[int, int]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    shapes: list[str] = field(default_factory=list)
    careful_rows: int = 0
    first_stamp: str = ""
    numeric: bool = False
    decimal: str = "."
    unit_changes: dict[int, tuple[int, str, str]] = field(default_factory=dict)
    files: list[FileCounts] = field(default_factory=list)
    _rows: tuple[int, NDArray[np.int64]] | None = None

    def extra(self, first: int, last: int) -> None:
        """Note lines that end with one more, empty field."""
        if self.extra_empty and self.extra_empty[-1][1] + 1 >= first:
            self.extra_empty[-1] = (self.extra_empty[-1][0], last)
        else:
            self.extra_empty.append((first, last))

    def row(self) -> NDArray[np.int64]:
        """Rows of all pieces; put together once, since the pieces do not change when all are gathered."""
        if self._rows is None or self._rows[0] != len(self.pieces):
            parts = [piece.row for piece in self.pieces]
            self._rows = (len(parts), _joined(parts, np.int64))
        return self._rows[1]

    def written(self, values: NDArray[np.float64]) -> list[str]:
        """Numbers as the file writes them, without thousands marks; empty where there is none."""
        words = ["" if np.isnan(value) else f"{value:.15g}" for value in values]
        return words if self.decimal == "." else [word.replace(".", self.decimal) for word in words]

    def numbers(self, number: int, marks: Marks, reasons: Reasons) -> Numbers:
        """One column as numbers, block by block."""
        if all(isinstance(piece.columns[number], np.ndarray) for piece in self.pieces):
            plain = _joined([piece.columns[number] for piece in self.pieces], np.float64)
            empty = np.isnan(plain)
            code = reasons.code(EMPTY) if empty.any() else 0
            return Numbers(plain, (empty * np.uint16(code)) if code else _none(len(plain)))
        values: list[NDArray[np.float64]] = []
        reason: list[NDArray[np.uint16]] = []
        glued: list[str] = []
        marked: list[NDArray[np.int16] | None] = []
        for piece in self.pieces:
            cells = piece.columns[number]
            if isinstance(cells, np.ndarray):
                missing = np.isnan(cells)
                values.append(cells)
                reason.append((missing * reasons.code(EMPTY)).astype(np.uint16) if missing.any() else _none(len(cells)))
            else:
                part = read_numbers(cells, marks, reasons, glued)
                values.append(part.values)
                reason.append(part.reason)
                marked.append(part.marked)
                continue
            marked.append(None)
        whole = _joined(values, np.float64)
        codes = None
        if glued:
            parts = [
                np.zeros(len(one), np.int16) if code is None else code for one, code in zip(values, marked, strict=True)
            ]
            codes = _joined(parts, np.int16)
        return Numbers(whole, _joined(reason, np.uint16), glued, codes)

    def release(self, number: int) -> None:
        """Let a column go once all of its points are bound: its memory is needed for the next ones."""
        for piece in self.pieces:
            piece.columns.pop(number, None)

    def words(self, number: int) -> tuple[list[str], NDArray[np.int32]]:
        """One column as words: the different texts, and the number of the text in each row."""
        vocabulary: dict[str, int] = {}
        codes: list[NDArray[np.int32]] = []
        for piece in self.pieces:
            cells = piece.columns[number]
            if isinstance(cells, np.ndarray):
                import pandas as pd

                inverse, different = pd.factorize(cells, use_na_sentinel=False)
                words = self.written(different)
            else:
                encoded = cells if _is_dictionary(cells) else cells.dictionary_encode()
                words, inverse = _words_of(encoded)
            table = np.array([vocabulary.setdefault(word, len(vocabulary)) for word in words], np.int32)
            codes.append(table[inverse] if len(table) else np.zeros(len(inverse), np.int32))
        return list(vocabulary), _joined(codes, np.int32)

    def words_at(self, number: int, places: NDArray[np.int64]) -> tuple[list[str], NDArray[np.int32]]:
        """Words of some rows of a column, by their positions among all rows."""
        import pyarrow as pa

        edges = np.cumsum([0, *(len(piece.row) for piece in self.pieces)])
        which = np.searchsorted(edges, places, side="right") - 1
        texts: list[str] = [""] * len(places)
        for index, piece in enumerate(self.pieces):
            chosen = np.flatnonzero(which == index)
            if not len(chosen):
                continue
            cells = piece.columns[number]
            inner = places[chosen] - edges[index]
            if isinstance(cells, np.ndarray):
                found = self.written(cells[inner])
            else:
                found = [word or "" for word in cells.take(pa.array(inner)).to_pylist()]
            for place, word in zip(chosen, found, strict=True):
                texts[int(place)] = word.strip()
        vocabulary: dict[str, int] = {}
        codes = np.array([vocabulary.setdefault(word, len(vocabulary)) for word in texts], np.int32)
        return list(vocabulary), codes

    def fields(self) -> Fields | None:
        """Fields of all pieces where any block still needs a decision; None where all are settled."""
        if all(piece.times.fields is None for piece in self.pieces):
            return None
        return joined([piece.times.fields for piece in self.pieces if piece.times.fields is not None])


def _none(count: int) -> NDArray[np.uint16]:
    return np.zeros(count, np.uint16)


def _joined(parts: list[NDArray[Any]], kind: Any) -> NDArray[Any]:
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if parts else np.zeros(0, kind)


def _is_dictionary(cells: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_dictionary(cells.type))


def _words_of(encoded: Any) -> tuple[list[str], NDArray[Any]]:
    """Texts and codes of a dictionary-encoded array; a null is an empty text."""
    import pyarrow as pa

    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.unify_dictionaries().combine_chunks()
        if isinstance(encoded, pa.ChunkedArray):
            encoded = encoded.chunk(0) if encoded.num_chunks else pa.array([], pa.string()).dictionary_encode()
    words = [word or "" for word in encoded.dictionary.to_pylist()]
    codes = encoded.indices
    if codes.null_count:
        words.append("")
        codes = codes.fill_null(len(words) - 1)
    return words, numpy_of(codes, np.int32)
