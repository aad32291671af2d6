"""One pipeline for every table, whatever its format: layout, questions, marks, rows, points, account.

What the case reads and what the draft looks at takes the same steps; only the last ones are left out there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from forensics.errors import WrongEncodingError
from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.points.assemble import bind_points
from forensics.intake.points.find_layout import find_layout, wanted_columns
from forensics.intake.points.footers import footer_rows, say_counts
from forensics.intake.points.preconditions import has_time, no_records, without_points
from forensics.intake.points.questions import BEFORE_ROWS
from forensics.intake.result import SourceResult
from forensics.intake.table.decimal_mark import MarkDecision
from forensics.intake.table.export import TableExport
from forensics.intake.table.parser import BlockReader
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.row_filter import Wanted
from forensics.intake.timestamps.zones import zone_letters
from forensics.intake.typed.reader import TYPED

T = TypeVar("T")


def open_export(job: SourceJob, exhibit: Exhibit, suffix: str, first: TableExport | None = None) -> TableExport:
    """Open an export by its format.

    Parameters
    ----------
    suffix
        Ending by which it is read: where its bytes say otherwise than its name, theirs.
    first
        The first file of the same source, where it has several.

    Raises
    ------
    UnreadableError
        It can't be read.
    """
    if suffix in TYPED:
        from forensics.intake.typed.export import open_typed

        return open_typed(exhibit, job.source, [point.column for _, point in job.points])
    from forensics.intake.text.reader import TextExport, open_text

    return open_text(exhibit, job.source, first if isinstance(first, TextExport) else None)


def in_its_encoding(export: TableExport, step: Callable[[TableExport], T]) -> T:
    """Take a step with an export; once more, where its bytes prove to be in another encoding than its head."""
    try:
        return step(export)
    except WrongEncodingError as fault:
        return step(export.again(fault))


def read_table(job: SourceJob, export: TableExport, *, careful_only: bool = False) -> SourceResult:
    """Read one table from its rows to its points.

    Parameters
    ----------
    careful_only
        Reads every row of a text in the careful lane: the answer is the same, slower.
    """

    def step(opened: TableExport) -> SourceResult:
        job.found.clear()
        return _read(job, opened, careful_only=careful_only)

    return in_its_encoding(export, step)


def gather_rows(
    job: SourceJob, export: TableExport, wanted: Wanted, marks: MarkDecision, *, careful_only: bool = False
) -> RawTable:
    """Every row of an export, read but not judged."""
    gathered = RawTable(decimal=marks.marks.decimal)
    gather_into(gathered, job, export, wanted, marks, careful_only=careful_only)
    return gathered


def gather_into(
    gathered: RawTable,
    job: SourceJob,
    export: TableExport,
    wanted: Wanted,
    marks: MarkDecision,
    *,
    base: int = 0,
    careful_only: bool = False,
) -> None:
    """Read every row of an export into a table; ``base`` is added to the number of each."""
    reader = BlockReader(
        path=job.path,
        dialect=export.dialect,
        wanted=wanted,
        order=job.source.date_order or "",
        decimal=gathered.decimal,
        keep=job.keep,
        zone_offsets=zone_letters(job.zone),
        gathered=gathered,
        careful_only=careful_only,
        base=base,
    )
    if not marks.settled:
        reader.text_columns.update(reader.wanted.numbers)
    export.gather(reader, job.source)
    footer_rows(gathered, export.dialect)
    if export.cut:
        job.note(f"{export.cut}; what comes before was read.")


def marks_for(job: SourceJob, export: TableExport, wanted: Wanted, point_column: int | None) -> MarkDecision:
    """Decimal and thousands marks of an export, as far as its first records settle them."""
    skip = frozenset({*export.dialect.time_columns, *([] if point_column is None else [point_column])})
    return export.marks(job.source, wanted, skip)


def _read(job: SourceJob, export: TableExport, *, careful_only: bool) -> SourceResult:
    dialect = export.dialect
    job.names = list(dialect.names)
    layout = find_layout(job, dialect)
    detections = (*export.detections, *dialect.detections, *layout.detections)
    if not has_time(job, dialect) or export.asks(job):
        return without_points(job, export.exhibit, dialect, layout, detections)
    for question in BEFORE_ROWS:
        question(job, dialect, layout)
    wanted = wanted_columns(dialect, layout)
    marks = marks_for(job, export, wanted, layout.point_column)
    gathered = gather_rows(job, export, wanted, marks, careful_only=careful_only)
    if not gathered.pieces and not gathered.outside:
        return no_records(job, export.exhibit, dialect, layout, gathered, detections)
    (reading,) = bind_points(job, (export.exhibit,), dialect, layout, gathered, marks=marks, texts=export.texts)
    say_counts(job, dialect, reading, gathered, export.last_row)
    return replace(
        reading,
        detections=(*detections, *reading.detections),
        notes=(*dialect.notes, *export.notes, *reading.notes),
    )
