"""Points of two machines that bear one name in a long log, told apart by another column only: asked for."""

from __future__ import annotations

from collections import Counter, defaultdict

from forensics.case.exports import Point
from forensics.intake.job import SourceJob
from forensics.intake.lexicon import plain
from forensics.intake.points.find_layout import Layout
from forensics.intake.table.dialect_model import Dialect

_LEAST_TWICE, _MOST_MACHINES = 2, 12


def ask_which_machine(job: SourceJob, dialect: Dialect, layout: Layout) -> None:
    """Leave out the points of a long log whose rows come in pairs of one stamp that differ in another column."""
    if layout.layout != "long" or layout.kind == "events" or layout.point_column is None:
        return
    kept: list[tuple[int, Point]] = []
    for number, point in layout.points:
        found = _told_apart(dialect, layout, point)
        if found is None:
            kept.append((number, point))
            continue
        column, names, line = found
        job.found.add(number)
        job.leave_out(
            f"its rows come with different '{dialect.names[column]}' ({', '.join(names)}) under one name and one time. "
            "Which machine is each?",
            f"Supply the rows of each '{dialect.names[column]}' as a source of its own; give source in the [[point]].",
            line,
            point.column,
        )
    layout.points = kept


def _told_apart(dialect: Dialect, layout: Layout, point: Point) -> tuple[int, list[str], int] | None:
    """Column that tells rows of one name and stamp apart, its different words, and the line where that shows first."""
    place = layout.point_column
    if place is None:
        return None
    rows = [row for row in dialect.sample if row.fields and len(row.fields) == dialect.width]
    rows = [row for row in rows if plain((row.fields or [])[place]) == plain(point.column)]
    by_stamp = defaultdict(list)
    for row in rows:
        by_stamp[tuple((row.fields or [])[column].strip() for column in dialect.time_columns)].append(row)
    groups = [group for group in by_stamp.values() if len(group) > 1]
    if len(groups) < _LEAST_TWICE:
        return None
    taken = {
        *dialect.time_columns, place, layout.value_column, layout.text_column, layout.quality_column,
        layout.status_column, layout.unit_column,
    }  # fmt: skip
    for column in set(range(dialect.width)) - taken:
        counts = Counter((row.fields or [])[column].strip() for row in rows)
        words = sorted(counts)
        apart = all(len({(row.fields or [])[column].strip() for row in group}) == len(group) for group in groups)
        comes_again = min(counts.values(), default=0) >= _LEAST_TWICE  # a number that only counts rows does not
        if apart and comes_again and "" not in words and 1 < len(words) <= _MOST_MACHINES:
            return column, words, groups[0][1].line
    return None
