"""What every table of an export needs before its points are bound: a time column, and at least one record."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.points.find_layout import Layout
from forensics.intake.result import Accounting, Detection, SourceResult
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.headers import is_filled
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.records import parse
from forensics.intake.table.row_filter import BLANK, NO_TIME, WIDTH

_NO_RECORD = "An absent record is not a record of nothing: export it again."
_CLOCK = re.compile(r"\d{1,2}[:.]\d{2}(?:[:.]\d{2}(?:[.,]\d+)?)?(?:\s*[AaPp]\.?\s?[Mm]\.?)?")
_NUMBER = re.compile(r"[+-]?\d[\d.,' ]*(?:[eE][+-]?\d+)?")


def has_time(job: SourceJob, dialect: Dialect) -> bool:
    """Whether it is known which columns make the stamp; else that is asked, and the case stops."""
    told = job.source.time_column
    if dialect.time_columns and (told or len(dialect.candidates) <= 1):
        return True
    if told:
        job.stop(
            f"there is no column {', '.join(repr(name) for name in told)}; the header on line "
            f"{dialect.header_line} has {', '.join(dialect.names[:8])}.",
            "Correct time_column.",
        )
    elif dialect.candidates:
        names = ", ".join(f"'{dialect.names[i]}'" for i in dialect.candidates)
        job.stop(f"several columns hold stamps ({names}).", "Give time_column.")
    elif not any(is_filled(row) for row in dialect.sample):
        names = ", ".join(dialect.names[:8])
        job.leave_out(f"header at line {dialect.header_line or dialect.data_line} ({names}), no data rows.", _NO_RECORD)
    else:
        job.stop(
            f"no column reads as a time; line {dialect.header_line or dialect.data_line} has "
            f"{', '.join(dialect.names[:8])}.",
            "Give delimiter: its lines hold no comma, semicolon, tab or pipe; columns of fixed width are not read."
            if dialect.width == 1
            else "Give time_column (and date_order or time_number where they are open).",
        )
    return False


def _width(text: str, delimiter: str) -> int:
    return len(parse(text, delimiter))


def _time_name(dialect: Dialect) -> str:
    return ", ".join(dialect.names[place] for place in dialect.time_columns)


def _stamp_is(form: re.Pattern[str], text: str, dialect: Dialect) -> bool:
    """Whether the stamp of a row, in one column, has a form."""
    fields = parse(text, dialect.delimiter) if text and len(dialect.time_columns) == 1 else []
    place = dialect.time_columns[0] if dialect.time_columns else 0
    return len(fields) > place and form.fullmatch(fields[place].strip()) is not None


def _hold_back(job: SourceJob, layout: Layout) -> None:
    """Points that this export would hold are not asked for again as missing columns."""
    job.found |= {number for number, point in layout.points if point.source == job.path}
    job.found |= {number for number, _, _ in layout.wide}


def without_points(
    job: SourceJob, exhibit: Exhibit, dialect: Dialect, layout: Layout, detections: Sequence[Detection]
) -> SourceResult:
    """The reading of an export whose times are not known."""
    _hold_back(job, layout)
    return SourceResult(
        exhibit, layout.kind, layout.layout, job.clock, detections=tuple(detections), notes=tuple(dialect.notes)
    )


def no_records(
    job: SourceJob,
    exhibit: Exhibit,
    dialect: Dialect,
    layout: Layout,
    gathered: RawTable,
    detections: Sequence[Detection],
) -> SourceResult:
    """The reading of an export without one row that has a time: its points are left out, and why is said."""
    names = ", ".join(dialect.names[:8])
    where = f"header at line {dialect.header_line} ({names})" if dialect.header_line else "no header"
    counts = Counter(row.reason for row in gathered.aside)
    full = {reason: count for reason, count in counts.items() if reason != BLANK}
    if full:
        told = ", ".join(f"{count} {reason}" for reason, count in counts.most_common(4))
        shown = next((row.text for row in gathered.aside if row.reason == NO_TIME and row.text.strip()), "")
        if shown:
            told += f"; the first is '{shown[:60]}'"
        what, remedy = (
            f"{where}, no row has a readable time ({told}).",
            "Check time_column, date_order and delimiter.",
        )
        widths = Counter(_width(row.text, dialect.delimiter) for row in gathered.aside if row.reason == WIDTH)
        if set(full) == {WIDTH}:
            width, row_count = widths.most_common(1)[0]
            first = next(row for row in gathered.aside if row.reason == WIDTH)
            what, remedy = f"{where}, no data rows; line {first.row} says '{first.text[:60]}'.", _NO_RECORD
            if width > 1:
                what = (
                    f"{where}: it has {dialect.width} fields, its rows have {width} ({row_count} rows; line "
                    f"{first.row} is '{first.text[:60]}')."
                )
                remedy = (
                    "Check delimiter, decimal commas without quotes and names that hold the delimiter; "
                    "give the header as many fields as the rows."
                )
        elif _stamp_is(_CLOCK, shown, dialect):
            remedy = "The stamps have no date: export again with dates, or give date and time in time_column."
        elif _stamp_is(_NUMBER, shown, dialect):
            remedy = (
                "The stamps are numbers that are no Unix time and no sheet day as written: export dates, or numbers "
                "with all their digits, and give time_number (unix-s, unix-ms, unix-us, unix-ns, days-1900, days-1904)."
            )
        job.leave_out(what, remedy, dialect.data_line, _time_name(dialect) if shown else "")
    else:
        job.leave_out(f"{where}, no data rows.", _NO_RECORD)
    _hold_back(job, layout)
    accounting = Accounting(gathered.rows_read, 0, dict(counts), {}, tuple(gathered.aside))
    return SourceResult(
        exhibit=exhibit,
        kind=layout.kind,
        layout=layout.layout,
        clock=job.clock,
        accounting=accounting,
        detections=tuple(detections),
        notes=tuple(dialect.notes),
    )
