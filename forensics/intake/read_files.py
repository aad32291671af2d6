"""The files of one logger read as one source: each with its own layout, hash and account, their rows as one table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from forensics.errors import Problem
from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.points.assemble import bind_points
from forensics.intake.points.find_layout import Layout, find_layout, wanted_columns
from forensics.intake.points.footers import say_counts
from forensics.intake.points.preconditions import has_time, no_records, without_points
from forensics.intake.points.questions import BEFORE_ROWS
from forensics.intake.read_table import gather_into, in_its_encoding, marks_for
from forensics.intake.result import SourceResult
from forensics.intake.table.decimal_mark import MarkDecision
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.export import TableExport
from forensics.intake.table.join import ColumnsOf, columns_of, in_columns_of_first, joined, note_other_units
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.row_filter import Wanted
from forensics.intake.timestamps.date_order import OrderCount, local_ns
from forensics.intake.timestamps.fields import FIXED, OPEN
from forensics.intake.timestamps.parse import read_fields
from forensics.model.row_numbers import FILE_ROWS, place_of


@dataclass(slots=True)
class _File:
    """One file of a source while it is read."""

    job: SourceJob
    export: TableExport
    columns: ColumnsOf | None = None
    table: RawTable = field(default_factory=RawTable)

    @property
    def path(self) -> str:
        return self.export.exhibit.path


def read_files(job: SourceJob, exports: Sequence[TableExport], folder: Path) -> tuple[SourceResult, ...]:
    """Read the files of one logger as one source.

    Parameters
    ----------
    exports
        The files, opened.
    folder
        Folder of the case file.

    Returns
    -------
    tuple of SourceResult
        One a file, in the order of their rows; the points of all stand with the first. Where the files can't be those
        of one logger, ``conflict`` says why and nothing is bound.
    """
    files = [_File(job.of_file(export.exhibit.path, folder), export) for export in in_order(exports)]
    first = files[0]
    dialect = first.export.dialect
    job.names = list(dialect.names)
    layout = find_layout(job, dialect)
    said = (*first.export.detections, *dialect.detections, *layout.detections)
    if not has_time(first.job, dialect) or any(file.export.asks(file.job) for file in files):
        return tuple(without_points(job, file.export.exhibit, file.export.dialect, layout, said) for file in files)
    for question in BEFORE_ROWS:
        question(job, dialect, layout)
    wanted = wanted_columns(dialect, layout)
    read, other = _of_one_table(files, wanted)
    marks = _marks(job, read, wanted, layout.point_column)
    orders = OrderCount()
    empty: list[SourceResult] = []
    full: list[_File] = []
    for file in read:
        _gather(file, wanted, marks, orders, (len(full) + 1) * FILE_ROWS)
        if file.table.pieces or file.table.outside:
            full.append(file)
        else:
            empty.append(no_records(file.job, file.export.exhibit, file.export.dialect, layout, file.table, ()))
    if not full:
        return (*empty, *(_left_out(job, file, layout) for file in other))
    results = _bound(job, full, layout, marks, dialect)
    results = (replace(results[0], detections=(*said, *results[0].detections)), *results[1:])
    name = job.source.path
    return (*results, *(replace(one, joined_as=name) for one in (*empty, *(_left_out(job, f, layout) for f in other))))


def in_order(exports: Sequence[TableExport]) -> list[TableExport]:
    """Exports in the order of their first stamps; newest first where their rows are; as given where stamps are open."""
    heads = [_head_times(export) for export in exports]
    if any(head is None for head in heads):
        return list(exports)
    known = [head for head in heads if head is not None]
    falling = sum(head[-1] < head[0] for head in known) * 2 > len(known)
    order = sorted(range(len(known)), key=lambda place: known[place][0], reverse=falling)
    return [exports[place] for place in order]


def _head_times(export: TableExport) -> list[int] | None:
    """Wall-clock times of the first records of an export; None where they are not settled by themselves."""
    import pyarrow as pa

    dialect = export.dialect
    if not dialect.time_columns or not dialect.sample:
        return None
    texts = [text for _, text in dialect.samples_of(dialect.time_columns[0])][:60]
    fields = read_fields(pa.array(texts, pa.string()))
    if bool((fields.form == OPEN).any()):
        return None
    local, good = local_ns(fields, "DMY")
    found = local[good & (fields.form == FIXED)]
    return [int(time) for time in found] or None


def _of_one_table(files: Sequence[_File], wanted: Wanted) -> tuple[list[_File], list[_File]]:
    """The files that hold the time and one of the columns that are read, and those that do not."""
    first = files[0].export.dialect
    own = set(wanted.all()) - set(wanted.time)
    read: list[_File] = []
    other: list[_File] = []
    for file in files:
        columns = columns_of(first, file.export.dialect)
        timed = all(columns.place[column] is not None for column in wanted.time)
        some = not own or any(columns.place[column] is not None for column in own)
        if not timed or not some:
            other.append(file)
            continue
        file.columns = columns
        read.append(file)
        lost = [first.names[column] for column in own if columns.place[column] is None]
        if lost:
            file.job.note(f"it has no column {', '.join(repr(name) for name in lost)}, which is missing there.")
    return read, other


def _left_out(job: SourceJob, file: _File, layout: Layout) -> SourceResult:
    names = ", ".join(file.export.dialect.names[:8])
    file.job.leave_out(
        f"its columns ({names}) are not those of the other files of '{job.source.path}': it is not read with them.",
        "Name it as a source of its own, or narrow the pattern.",
    )
    return SourceResult(file.export.exhibit, layout.kind, layout.layout, job.clock)


def _marks(job: SourceJob, files: Sequence[_File], wanted: Wanted, point_column: int | None) -> MarkDecision:
    """Marks of all files: of the first that settles them by its cells, else of the first."""
    found = []
    for file in files:
        columns = file.columns
        if columns is None:
            continue
        place = None if point_column is None else columns.place[point_column]
        found.append(marks_for(job, file.export, columns.wanted(wanted), place))
    telling = [marks for marks in found if marks.detections]
    decimals = {marks.marks.decimal for marks in telling}
    if len(decimals) > 1:
        job.leave_out(
            "its files write numbers with different decimal marks.",
            "Name the files of each mark as a source of their own, with decimal.",
        )
    chosen = telling or [marks for marks in found if not marks.settled] or found
    return chosen[0]


def _gather(file: _File, wanted: Wanted, marks: MarkDecision, orders: OrderCount, base: int) -> None:
    columns = file.columns
    if columns is None:
        raise AssertionError("a file is read once its columns are known")

    def step(export: TableExport) -> None:
        file.export, file.table = export, RawTable(decimal=marks.marks.decimal, orders=orders)
        gather_into(file.table, file.job, export, columns.wanted(wanted), marks, base=base)

    in_its_encoding(file.export, step)
    dialect = file.export.dialect
    in_columns_of_first(file.table, columns, wanted, dialect.header_line)


def _bound(
    job: SourceJob, files: Sequence[_File], layout: Layout, marks: MarkDecision, dialect: Dialect
) -> tuple[SourceResult, ...]:
    """Bind the points of all files, and say what each file says of itself."""
    for number, file in enumerate(files, start=1):
        if file.columns is not None:
            note_other_units(file.table, dialect, file.export.dialect, file.columns, number * FILE_ROWS)
    whole = joined([file.table for file in files], [file.path for file in files])
    before = len(job.problems.found)
    exhibits: list[Exhibit] = [file.export.exhibit for file in files]
    results = bind_points(job, exhibits, dialect, layout, whole, marks=marks, texts=lambda rows: _texts(files, rows))
    job.problems.found[before:] = [_placed(problem, files) for problem in job.problems.found[before:]]
    out = []
    for file, reading in zip(files, results, strict=True):
        say_counts(file.job, file.export.dialect, reading, file.table, file.export.last_row)
        out.append(replace(reading, notes=(*file.export.dialect.notes, *file.export.notes, *reading.notes)))
    return tuple(out)


def _texts(files: Sequence[_File], rows: list[int]) -> dict[int, str]:
    out: dict[int, str] = {}
    wanted = np.array(sorted(set(rows)), np.int64)
    for number, file in enumerate(files, start=1):
        own = wanted[wanted // FILE_ROWS == number] % FILE_ROWS
        if len(own):
            texts: Mapping[int, str] = file.export.texts([int(row) for row in own])
            out.update({number * FILE_ROWS + row: text for row, text in texts.items()})
    return out


def _placed(problem: Problem, files: Sequence[_File]) -> Problem:
    """A problem with the file and the line that its row stands for."""
    if problem.row is None or problem.row < FILE_ROWS:
        return problem
    number, line = place_of(problem.row)
    return replace(problem, file=files[number - 1].path, row=line)
