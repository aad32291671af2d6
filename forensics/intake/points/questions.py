"""The odd cases of a table, each asked by itself: a new one is a function and a line in one of the lists.

None of them knows another; the pipeline only calls them, in three places: before any row is read, before the times are
settled, before points are bound.
"""

from __future__ import annotations

from collections.abc import Callable

from forensics.errors import Problem, Severity
from forensics.intake.job import SourceJob
from forensics.intake.lexicon import plain, read_words
from forensics.intake.points.ambiguous_names import ask_which_machine
from forensics.intake.points.bind import Binder
from forensics.intake.points.find_layout import Layout
from forensics.intake.points.quality import hide_bad_quality
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.raw_table import RawTable
from forensics.model.row_numbers import said_row
from forensics.model.vocabulary import is_switch

_MOST_LINES = 8


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


BEFORE_ROWS: tuple[Callable[[SourceJob, Dialect, Layout], None], ...] = (ask_which_machine,)
BEFORE_TIMES: tuple[Callable[[SourceJob, Dialect, RawTable], None], ...] = (say_months,)
BEFORE_BINDING: tuple[Callable[[SourceJob, Dialect, Layout, RawTable, Binder], None], ...] = (
    say_extra,
    believe_quality,
    ask_changed_units,
)
