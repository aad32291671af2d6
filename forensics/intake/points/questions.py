"""The odd cases of a table, each asked by itself: a new one is a function and a line in one of the lists.

None of them knows another; the pipeline only calls them, in three places: before any row is read, before the times are
settled, before points are bound.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from forensics.errors import Problem, Severity
from forensics.intake.job import SourceJob
from forensics.intake.lexicon import plain, read_words
from forensics.intake.points.ambiguous_names import ask_which_machine
from forensics.intake.points.bind import Binder
from forensics.intake.points.find_layout import Layout
from forensics.intake.points.quality import hide_bad_quality
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.headers import is_stamp
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.records import parse
from forensics.intake.table.row_filter import NO_TIME, QUOTE, WIDTH
from forensics.model.row_numbers import said_row
from forensics.model.vocabulary import is_switch

_MOST_LINES = 8
_FEW_IN = 50  # one row in so many is told, more are asked for
_SHOWN = 60
_CLOCK = re.compile(r"\d{1,2}[:.h]\d{2}")
_ZONE_WORDS = re.compile(r"(?i)time.?zone|zeitzone|fuseau|zona horaria|\b(?:UTC|GMT)\s*[+-]?\d|\b(?:UTC|GMT)\b")
_STAMP_KEYS = "date_order, time_number, year or time_column in its [[source]]"


def say_months(job: SourceJob, dialect: Dialect, gathered: RawTable) -> None:
    """State which month names no language knows."""
    if not gathered.bad_months:
        return
    words = read_words()
    best = max(
        words.languages,
        key=lambda language: sum(
            plain(name) in {plain(f) for forms in words.languages[language] for f in forms}
            for name in gathered.month_names
        ),
    )
    table = " ".join("/".join(form.capitalize() for form in forms if len(form) <= 4) for forms in words.languages[best])  # noqa: PLR2004
    for name, (row, _) in gathered.bad_months.items():
        what = f"month name '{name}' not known ({best}: {table})."
        column = dialect.names[dialect.time_columns[0]]
        job.problems.add(Problem(what, file=job.path, row=row, column=column, severity=Severity.NOTE))


def say_extra(job: SourceJob, dialect: Dialect, layout: Layout, gathered: RawTable, binder: Binder) -> None:
    """State which lines end with one more, empty field, and what the reading of the rows noted."""
    if gathered.extra_empty:
        lines = ", ".join(f"{a}-{b}" if a != b else str(a) for a, b in gathered.extra_empty[:_MOST_LINES])
        more = " …" if len(gathered.extra_empty) > _MOST_LINES else ""
        binder.notes.append(f"an extra empty field at the end of lines {lines}{more} is ignored")
    binder.notes.extend(gathered.notes)


def believe_quality(job: SourceJob, dialect: Dialect, layout: Layout, gathered: RawTable, binder: Binder) -> None:
    """Take cells out that a quality column calls no good."""
    hide_bad_quality(gathered, layout, binder)


def ask_changed_units(job: SourceJob, dialect: Dialect, layout: Layout, gathered: RawTable, binder: Binder) -> None:
    """Leave out the points whose unit is another below a repeated header."""
    kept = []
    for number, point, column in layout.wide:
        if column not in gathered.unit_changes or is_switch(point.role):
            kept.append((number, point, column))
            continue
        line, before, now = gathered.unit_changes[column]
        job.found.add(number)
        job.leave_out(
            f"its unit is '{before}' above and '{now}' from line {said_row(line)} on.",
            "Supply the two parts as two sources, each with its unit.",
            line,
            dialect.names[column],
        )
    layout.wide = kept


def ask_records_above(job: SourceJob, dialect: Dialect, gathered: RawTable) -> None:
    """Ask for records that stand above the header: the part of a table under another header."""
    found = []
    for note in dialect.preamble:
        cells = parse(note.text, dialect.delimiter)
        if len(cells) > 1 and is_stamp(cells[0].strip()) and _CLOCK.search(cells[0]):
            found.append(note)
    named = any(
        plain(parse(note.text, dialect.delimiter)[0]) in read_words().columns["time"] for note in dialect.preamble
    )
    if not found or not named:
        return
    job.problems.add(
        Problem(
            f"{len(found)} records stand above the header on line {dialect.header_line}, under another one; they are "
            f"not read (the first on line {found[0].line}: '{found[0].text[:_SHOWN]}').",
            file=job.path,
            row=found[0].line,
            remedy="Supply the parts as two sources.",
            severity=Severity.POINT,
        )
    )


def say_zone_above(job: SourceJob, dialect: Dialect, gathered: RawTable) -> None:
    """State what the notes above the table say of its zone, where the case gives none for this source."""
    if job.source.time_zone:
        return
    for note in dialect.preamble:
        if _ZONE_WORDS.search(note.text) and job.zone.casefold() not in note.text.casefold():
            job.problems.add(
                Problem(
                    f"the notes above the table say '{note.text[:_SHOWN]}'; the stamps are read in {job.zone}.",
                    file=job.path,
                    row=note.line,
                    remedy="Where that is another zone give time_zone in its [[source]].",
                    severity=Severity.NOTE,
                )
            )
            return


def ask_lost_rows(job: SourceJob, dialect: Dialect, gathered: RawTable) -> None:
    """Tell the rows between others that can't be used, and ask for them where they are more than a few."""
    for reason in (NO_TIME, WIDTH, QUOTE):
        lost = [row for row in gathered.aside if row.reason == reason and row.text.strip()]
        if not lost:
            continue
        count, first = len(lost), lost[0]
        verb = "row is" if count == 1 else "rows are"
        many = count * _FEW_IN > gathered.rows_read
        job.problems.add(
            Problem(
                f"{count} {verb} set aside: {reason}; the first is '{first.text[:_SHOWN]}'.",
                file=first.source or job.path,
                row=first.row,
                column=", ".join(dialect.names[place] for place in dialect.time_columns) if reason == NO_TIME else "",
                remedy=f"Correct the stamps in a new export, or answer with {_STAMP_KEYS}."
                if reason == NO_TIME
                else f"Export them with {dialect.width} fields and closed quotes.",
                severity=Severity.POINT if many else Severity.NOTE,
            )
        )


BEFORE_ROWS: tuple[Callable[[SourceJob, Dialect, Layout], None], ...] = (ask_which_machine,)
BEFORE_TIMES: tuple[Callable[[SourceJob, Dialect, RawTable], None], ...] = (
    say_months,
    ask_records_above,
    say_zone_above,
    ask_lost_rows,
)
BEFORE_BINDING: tuple[Callable[[SourceJob, Dialect, Layout, RawTable, Binder], None], ...] = (
    say_extra,
    believe_quality,
    ask_changed_units,
)
