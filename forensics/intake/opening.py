"""What every table of an export needs before its points are bound: a time column, and at least one record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from forensics.intake.dialect import Dialect
from forensics.intake.gathered import Gathered
from forensics.intake.layouts import Layout
from forensics.intake.manifest import Exhibit
from forensics.intake.reader import Job
from forensics.intake.reading import Accounting, Detection, SourceReading
from forensics.intake.standing import NO_TIME


def has_time(job: Job, dialect: Dialect) -> bool:
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
    else:
        job.stop(
            f"no column reads as a time; line {dialect.header_line or dialect.data_line} has "
            f"{', '.join(dialect.names[:8])}.",
            "Give time_column (and date_order or time_number where they are open).",
        )
    return False


def _hold_back(job: Job, layout: Layout) -> None:
    """Points that this export would hold are not asked for again as missing columns."""
    job.found |= {number for number, point in layout.points if point.source == job.path}
    job.found |= {number for number, _, _ in layout.wide}


def without_points(
    job: Job, exhibit: Exhibit, dialect: Dialect, layout: Layout, detections: Sequence[Detection]
) -> SourceReading:
    """The reading of an export whose times are not known."""
    _hold_back(job, layout)
    return SourceReading(
        exhibit, layout.kind, layout.layout, job.clock, detections=tuple(detections), notes=tuple(dialect.notes)
    )


def no_records(
    job: Job,
    exhibit: Exhibit,
    dialect: Dialect,
    layout: Layout,
    gathered: Gathered,
    detections: Sequence[Detection],
) -> SourceReading:
    """The reading of an export without one row that has a time: its points are left out, and why is said."""
    names = ", ".join(dialect.names[:8])
    where = f"header at line {dialect.header_line} ({names})" if dialect.header_line else "no header"
    counts = Counter(row.reason for row in gathered.aside)
    if gathered.rows_read:
        told = ", ".join(f"{count} {reason}" for reason, count in counts.most_common(4))
        shown = next((row.text for row in gathered.aside if row.reason == NO_TIME and row.text.strip()), "")
        if shown:
            told += f"; the first is '{shown[:60]}'"
        job.leave_out(
            f"{where}, no row has a readable time ({told}).",
            "Check time_column, date_order and delimiter.",
            dialect.data_line,
        )
    else:
        job.leave_out(f"{where}, no data rows.", "An absent record is not a record of nothing: export it again.")
    _hold_back(job, layout)
    accounting = Accounting(gathered.rows_read, 0, dict(counts), {}, tuple(gathered.aside))
    return SourceReading(
        exhibit, layout.kind, layout.layout, job.clock, accounting, tuple(detections), tuple(dialect.notes)
    )
