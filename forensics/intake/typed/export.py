"""Opens a workbook or a column file: its table, and the layout of it in the form that text exports have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from forensics.case.exports import Source
from forensics.errors import SheetQuestion, UnreadableError, WrongEncodingError
from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.result import Detection
from forensics.intake.table.decimal_mark import MarkDecision
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.parser import BlockReader
from forensics.intake.table.row_filter import Wanted
from forensics.intake.typed.cells import CellTable
from forensics.intake.typed.reader import gather_table, marks_of, open_table, row_texts, table_dialect
from forensics.intake.typed.swapped_dates import dates_are_exchanged


@dataclass(slots=True)
class TypedExport:
    """A workbook or a column file (a :class:`~forensics.intake.table.export.TableExport`)."""

    exhibit: Exhibit
    table: CellTable
    dialect: Dialect
    detections: tuple[Detection, ...] = ()
    notes: list[str] = field(default_factory=list)
    cut: str = ""
    last_row: int = 0

    def asks(self, job: SourceJob) -> bool:
        """Ask where a program that opened a text export exchanged day and month of its dates."""
        times = self.dialect.time_columns
        return len(times) == 1 and dates_are_exchanged(job, self.table, times[0])

    def marks(self, source: Source, wanted: Wanted, skip: frozenset[int]) -> MarkDecision:
        """Marks of the numbers that stand as text."""
        return marks_of(self.table, wanted, source)

    def gather(self, reader: BlockReader, source: Source) -> None:
        """Hand the table to the reader."""
        gather_table(self.table, reader, source)
        if self.table.header_row:  # a column file has no limit of rows
            self.last_row = max(int(self.table.row[-1]), *(row for row, _, _ in self.table.set_aside), 0)

    def texts(self, rows: list[int]) -> dict[int, str]:
        """Text of some rows, from their cells."""
        return row_texts(self.table, rows)

    def again(self, fault: WrongEncodingError) -> TypedExport:
        """Cells have no encoding to be wrong about."""
        raise AssertionError("a typed table has no encoding") from fault


def open_typed(exhibit: Exhibit, source: Source, wanted: Sequence[str]) -> TypedExport:
    """Open a workbook or a column file.

    Raises
    ------
    UnreadableError
        The file can't be read, or which of its tables is meant is open.
    """
    try:
        table = open_table(exhibit.file, source, wanted)
    except SheetQuestion as question:
        raise UnreadableError(question.what, question.remedy) from None
    return TypedExport(exhibit, table, table_dialect(table, source))
