"""What a format gives of an export that it has opened: the layout of its table, and its rows when they are asked for.

Text, workbooks and column files meet here; what is made of a table is the same for all of them.
"""

from __future__ import annotations

from typing import Protocol

from forensics.case.exports import Source
from forensics.errors import WrongEncodingError
from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.result import Detection
from forensics.intake.table.decimal_mark import MarkDecision
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.parser import BlockReader
from forensics.intake.table.row_filter import Wanted


class TableExport(Protocol):
    """One export, opened: its layout is known, its rows are not read yet.

    Attributes
    ----------
    exhibit
        The file; its hash is known once :meth:`gather` has read it, where the format hashes as it reads.
    dialect
        Names, units, time columns and first records.
    detections
        What the format itself detected: the encoding of a text.
    notes
        What its reading noted.
    cut
        What was wrong with the end of its bytes, empty where nothing was.
    last_row
        Last physical line or row of the sheet; 0 where the format has no limit of rows.
    """

    exhibit: Exhibit
    dialect: Dialect
    detections: tuple[Detection, ...]
    notes: list[str]
    cut: str
    last_row: int

    def asks(self, job: SourceJob) -> bool:
        """Put the questions of this format alone; True where one of them stops the reading."""
        ...

    def marks(self, source: Source, wanted: Wanted, skip: frozenset[int]) -> MarkDecision:
        """Decimal and thousands marks, from the cells that can tell; columns of ``skip`` hold no numbers."""
        ...

    def gather(self, reader: BlockReader, source: Source) -> None:
        """Hand every row to the reader."""
        ...

    def texts(self, rows: list[int]) -> dict[int, str]:
        """Text of some rows by their number."""
        ...

    def again(self, fault: WrongEncodingError) -> TableExport:
        """The export opened in another encoding, once the one that was taken proved wrong."""
        ...
