"""Hands waveforms, workbooks and columnar files to their readers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePosixPath

from forensics.intake.exhibits import Exhibit, take_exhibit
from forensics.intake.job import SourceJob
from forensics.intake.points.ambiguous_names import ask_which_machine
from forensics.intake.points.assemble import bind_points
from forensics.intake.points.find_layout import find_layout, wanted_columns
from forensics.intake.points.footers import footer_rows, say_counts
from forensics.intake.points.preconditions import has_time, no_records, without_points
from forensics.intake.result import SourceResult
from forensics.intake.table.parser import BlockReader
from forensics.intake.table.raw_table import RawTable
from forensics.intake.text.streams import UnreadableError
from forensics.intake.timestamps.zones import zone_letters
from forensics.intake.typed.swapped_dates import dates_are_exchanged


def read_waveform_source(job: SourceJob, exhibit: Exhibit) -> SourceResult:
    """Read an IEEE C37.111 record."""
    from forensics.intake.waveform.reader import read_waveform

    machine = job.casefile.machine
    points = [point for _, point in job.points]
    result = read_waveform(
        job.source, points, job.file, job.zone, job.problems,
        air_kpa=machine.air_kpa, rated_amps=machine.rated_load_amps, clock=job.clock,
    )  # fmt: skip
    waveform = result.waveform
    job.names = list(result.channels)
    if waveform is None:
        job.found |= {number for number, point in job.points if point.source == job.path}
        first = last = None
    else:
        bound = {(role, column) for role, column in waveform.columns.items()}
        bound |= {(switch.role, switch.origin.column) for switch in result.switches}
        job.found |= {number for number, point in job.points if (point.role, point.column) in bound}
        first, last = waveform.span.start_ns, waveform.span.end_ns
    also = tuple(take_exhibit(_beside(job, file), file) for file in result.files if file != job.file)
    return SourceResult(
        exhibit, "waveform", "", job.clock, result.accounting, result.detections, result.notes,
        switches=result.switches, waveform=waveform, first_ns=first, last_ns=last, also=also,
    )  # fmt: skip


def _beside(job: SourceJob, file: Path) -> str:
    """Path, as the case file would give it, of a file that belongs to the record it names."""
    return PurePosixPath(job.path).with_name(file.name).as_posix()


def read_table_source(job: SourceJob, exhibit: Exhibit) -> SourceResult:
    """Read a workbook or a columnar file."""
    from forensics.intake.typed import reader as typed
    from forensics.intake.typed.workbook import SheetQuestion

    try:
        table = typed.open_table(job.file, job.source, [point.column for _, point in job.points])
    except SheetQuestion as question:
        raise UnreadableError(question.what, question.remedy) from None
    dialect = typed.table_dialect(table, job.source)
    job.names = list(dialect.names)
    layout = find_layout(job, dialect)
    detections = (*dialect.detections, *layout.detections)
    if not has_time(job, dialect):
        return without_points(job, exhibit, dialect, layout, detections)
    times = dialect.time_columns
    if len(times) == 1 and dates_are_exchanged(job, table, times[0]):
        return without_points(job, exhibit, dialect, layout, detections)
    ask_which_machine(job, dialect, layout)
    wanted = wanted_columns(dialect, layout)
    marks = typed.marks_of(table, wanted, job.source)
    gathered = RawTable(decimal=marks.marks.decimal)
    reader = BlockReader(
        path=job.path, dialect=dialect, wanted=wanted, order=job.source.date_order or "",
        decimal=gathered.decimal, keep=job.keep, zone_offsets=zone_letters(job.zone), gathered=gathered,
    )  # fmt: skip
    typed.gather_table(table, reader, job.source)
    footer_rows(gathered, dialect)
    if not gathered.pieces and not gathered.outside:
        return no_records(job, exhibit, dialect, layout, gathered, detections)
    reading = bind_points(job, exhibit, dialect, layout, gathered, marks, lambda rows: typed.row_texts(table, rows))
    last_row = max((row for row, _, _ in table.set_aside), default=0)
    last_row = max(last_row, int(table.row[-1])) if table.header_row else 0  # a column file has no limit of rows
    say_counts(job, dialect, reading, gathered, last_row)
    return replace(
        reading,
        detections=(*detections, *reading.detections),
        notes=(*dialect.notes, *reading.notes),
    )
