"""From the cells of rows to a chunk: what both lanes of reading do with their rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.raw_table import Cells, Chunk, RawTable, times_of
from forensics.intake.table.row_filter import ColumnMap, Wanted
from forensics.intake.timestamps.fields import EPOCH, TIME_ONLY, Fields, finer
from forensics.intake.timestamps.parse import read_fields
from forensics.intake.timestamps.split_columns import LastDate, read_times, together
from forensics.intake.unset_clocks import EARLIEST_NS, LATEST_NS
from forensics.model.points import Span

_DAY_NS = 86_400 * 10**9
_MARGIN_NS = 2 * _DAY_NS
_SHOWN_SHAPES = 8  # examples for the report


@dataclass(slots=True)
class ChunkMaker:
    """Makes chunks of the rows of one export: their times and cells, and what their stamps tell.

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
        self.noted(fields.shapes, fields.resolution_ns)
        columns = self.without_times(columns)
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

    def noted(self, shapes: Sequence[str], resolution_ns: int) -> None:
        """Note the shapes and the finest unit of stamps."""
        gathered = self.gathered
        gathered.resolution_ns = finer(gathered.resolution_ns, resolution_ns)
        gathered.shapes += list(shapes)[: max(0, _SHOWN_SHAPES - len(gathered.shapes))]

    def without_times(self, columns: dict[int, Cells]) -> dict[int, Cells]:
        """The columns that are wanted as cells."""
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
