"""Binds the points of one export that has been read: times settled, marks decided, every row accounted for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.lexicon import plain
from forensics.intake.points.bind import Binder
from forensics.intake.points.find_layout import Layout
from forensics.intake.points.layouts import (
    LongTable,
    Points,
    log_lines,
    long_points,
    no_event,
    text_points,
    wide_points,
)
from forensics.intake.points.questions import BEFORE_BINDING, BEFORE_TIMES
from forensics.intake.points.resolve_times import TimeResolver
from forensics.intake.points.resolved import ResolvedTimes
from forensics.intake.result import OUTSIDE_WINDOW, Accounting, Detection, SetAside, SourceResult
from forensics.intake.table.decimal_mark import MarkDecision, decide_marks
from forensics.intake.table.dialect import Dialect
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.records import parse
from forensics.intake.table.values import MarkCount, Marks
from forensics.model.vocabulary import is_switch

Texts = Callable[[list[int]], dict[int, str]]


def bind_points(
    job: SourceJob,
    exhibit: Exhibit,
    dialect: Dialect,
    layout: Layout,
    gathered: RawTable,
    marks: MarkDecision,
    texts: Texts,
) -> SourceResult:
    """Settle times, bind points and account for every row.

    Parameters
    ----------
    texts
        Gives the text of physical rows: for duplicates, and for the list of rows set aside.
    """
    names, keys = _keys(gathered, layout)
    time_name = ", ".join(dialect.names[i] for i in dialect.time_columns)
    judge = TimeResolver(job.path, job.source, job.zone, time_name, job.keep, job.failure_ns, job.problems)
    for question in BEFORE_TIMES:
        question(job, dialect, gathered)
    settled = judge.settle(gathered, keys, _column_texts(gathered, dialect) or texts)
    if settled is None:
        for number, _ in layout.points:
            job.found.add(number)
        for number, _, _ in layout.wide:
            job.found.add(number)
        return _empty(job, exhibit, layout, gathered, judge)
    binder = Binder(
        job.path, job.source, job.clock, job.casefile.machine, job.problems, settled.resolution_s,
        detections=judge.detections, notes=judge.notes,
    )  # fmt: skip
    for ask in BEFORE_BINDING:
        ask(job, dialect, layout, gathered, binder)
    decided = _decide(job, dialect, layout, gathered, marks, binder, texts, names)
    points = _bind(job, dialect, layout, gathered, settled, binder, decided, (names, keys))
    job.found |= points.found
    job.names.extend(names)
    accounting = _account(job, gathered, settled, binder, texts)
    return SourceResult(
        exhibit, layout.kind, layout.layout if layout.layout != "text" else "long", job.clock, accounting,
        tuple(binder.detections), tuple(binder.notes), tuple(points.samples), tuple(points.switches), None,
        tuple(points.log), settled.first_ns, settled.last_ns,
    )  # fmt: skip


def _column_texts(gathered: RawTable, dialect: Dialect) -> Texts | None:
    """Texts of rows from their columns, where every column was read: no need to read the file again."""
    columns = set(gathered.pieces[0].columns) if gathered.pieces else set()
    others = set(range(dialect.width)) - set(dialect.time_columns)
    if not others <= columns:
        return None

    def texts(rows: list[int]) -> dict[int, str]:
        all_rows = gathered.row()
        if bool((np.diff(all_rows) > 0).all()):
            places = np.searchsorted(all_rows, np.array(rows, np.int64))
        else:
            where = {int(row): place for place, row in enumerate(all_rows)}
            places = np.array([where[row] for row in rows], np.int64)
        parts = []
        for column in sorted(others):
            words, codes = gathered.words_at(column, places)
            parts.append([words[int(code)] for code in codes])
        return {row: "\x1f".join(cells) for row, cells in zip(rows, zip(*parts, strict=True), strict=True)}

    return texts if others else None


def _keys(gathered: RawTable, layout: Layout) -> tuple[list[str], NDArray[np.int32] | None]:
    if layout.layout == "long" and layout.point_column is not None:
        words, codes = gathered.words(layout.point_column)
        return [word.strip() for word in words], codes
    if layout.layout == "text" and layout.text_column is not None:
        _, codes = gathered.words(layout.text_column)
        return [], codes
    return [], None


def _empty(job: SourceJob, exhibit: Exhibit, layout: Layout, gathered: RawTable, judge: TimeResolver) -> SourceResult:
    counts = Counter(row.reason for row in gathered.aside)
    waiting = gathered.rows_read - sum(counts.values())
    if waiting:
        counts["time question open"] = waiting
    accounting = Accounting(gathered.rows_read, 0, dict(counts), {}, tuple(gathered.aside))
    return SourceResult(
        exhibit, layout.kind, layout.layout, job.clock, accounting, tuple(judge.detections), tuple(judge.notes)
    )


def _decide(
    job: SourceJob,
    dialect: Dialect,
    layout: Layout,
    gathered: RawTable,
    marks: MarkDecision,
    binder: Binder,
    texts: Texts,
    named: Sequence[str],
) -> Marks:
    """Marks of the file; where the head did not settle them, from every cell, else asked for column by column."""
    if not marks.settled and not marks.final:
        cells: list[tuple[int, int, str]] = []
        columns: list[int | None] = [column for _, _, column in layout.wide] or [layout.value_column]
        for column in columns:
            if column is None:
                continue
            words, codes = gathered.words(column)
            first = {int(code): int(row) for code, row in zip(codes[::-1], gathered.row()[::-1], strict=True)}
            cells.extend((column, first[code], word) for code, word in enumerate(words) if code in first)
        marks = decide_marks(job.source, cells)
    binder.detections.extend(marks.detections)
    if marks.settled and not marks.detections:
        marks = _late_marks(dialect, layout, gathered, marks, texts)
    if marks.settled:
        return marks.marks
    kept = []
    for number, point, column in layout.wide:
        if column not in marks.undecided or is_switch(point.role):
            kept.append((number, point, column))
            continue
        row, text, count = marks.undecided[column]
        mark = "," if "," in text else "."
        job.found.add(number)
        name = {",": "comma", ".": "point"}[mark]
        unit = "" if point.unit else " and no unit is given"
        why = (
            "the file has point and comma as decimal marks"
            if marks.both
            else f"all {count} different values with a mark have exactly three digits after the {name}{unit}"
        )
        job.leave_out(
            f"'{text}' (line {row}) may be {text.replace(mark, '')} or {text.replace(mark, '.')}; {why}.",
            f"Give decimal='{mark}' or thousands='{mark}' in its [[source]]"
            + ("." if point.unit else " and the unit."),
            row,
            dialect.names[column],
        )
    layout.wide = kept
    if layout.layout == "long" and marks.undecided:
        row, text, count = next(iter(marks.undecided.values()))
        mark = "," if "," in text else "."
        job.leave_out(
            f"'{text}' (line {row}) may be {text.replace(mark, '')} or {text.replace(mark, '.')}; every number with a "
            "mark has exactly three digits after it.",
            f"Give decimal='{mark}' or thousands='{mark}' in its [[source]].",
            row,
            dialect.names[layout.value_column] if layout.value_column is not None else "",
        )
        numbers = {number for number, point in layout.points if not is_switch(point.role)}
        known = {plain(name) for name in named}
        job.found |= {
            number
            for number, point in layout.points
            if number in numbers and (point.source == job.path or plain(point.column) in known)
        }
        layout.points = [item for item in layout.points if item[0] not in numbers]
    return marks.marks


def _late_marks(
    dialect: Dialect, layout: Layout, gathered: RawTable, marks: MarkDecision, texts: Texts
) -> MarkDecision:
    """Look at cells with a fraction where the head of the file showed no mark at all: they may be thousands."""
    rows = gathered.row()
    undecided: dict[int, tuple[int, str, int]] = {}
    columns: list[int | None] = [column for _, _, column in layout.wide]
    for column in columns or [layout.value_column]:
        if column is None or column not in gathered.pieces[0].columns or not dialect.delimiter:
            continue
        start = 0
        places: list[int] = []
        for piece in gathered.pieces:
            cells = piece.columns[column]
            if isinstance(cells, np.ndarray):
                broken = np.flatnonzero(np.isfinite(cells) & (cells != np.floor(cells)))
                places.extend(int(i) + start for i in broken[:: max(1, len(broken) // 40)])
            start += len(piece.row)
        if not places:
            continue
        count = MarkCount()
        lines = texts([int(rows[place]) for place in places])
        for line, text in sorted(lines.items()):
            fields = parse(text, dialect.delimiter)
            if len(fields) > column and count.look(fields[column], line):
                first = undecided.get(column, (line, fields[column].strip(), 0))
                undecided[column] = (first[0], first[1], first[2] + 1)
        if count.decimal:
            decimal, (row, shown) = next(iter(count.decimal.items()))
            found = Detection(
                "decimal mark", "comma" if decimal == "," else "point", f"decided by line {row} ({shown})"
            )
            return MarkDecision(marks.marks, settled=True, detections=[found])
    return MarkDecision(marks.marks, settled=not undecided, undecided=undecided)


def _bind(
    job: SourceJob,
    dialect: Dialect,
    layout: Layout,
    gathered: RawTable,
    settled: ResolvedTimes,
    binder: Binder,
    marks: Marks,
    named: tuple[list[str], NDArray[np.int32] | None],
) -> Points:
    names, keys = named
    start_ns = job.keep.start_ns if job.keep is not None else None
    if layout.layout == "wide":
        return wide_points(layout.wide, gathered, settled, binder, marks, dialect.raw_names, dialect.units)
    if layout.layout == "text" and layout.text_column is not None:
        points = text_points(layout.points, gathered, settled, binder, layout.text_column, start_ns)
        points.log = list(log_lines(gathered, settled, job.path, job.clock, None, None, layout.text_column))
        return points
    if keys is None or layout.value_column is None:
        return Points()
    events = layout.kind == "events"
    table = LongTable(names, keys, layout.value_column, layout.unit_column, events=events, start_ns=start_ns)
    points = long_points(layout.points, gathered, settled, binder, marks, table)
    if events:
        points.log = list(
            log_lines(
                gathered, settled, job.path, job.clock, layout.point_column, layout.value_column, layout.text_column
            )
        )
        for number, point in layout.points:
            if number not in points.found and point.source == job.path and is_switch(point.role):
                points.found.add(number)
                points.switches.append(no_event(point, binder, settled, gathered.row(), start_ns))
                binder.notes.append(f"{point.column} never occurs in the list: there was no such event")
    return points


def _account(job: SourceJob, gathered: RawTable, settled: ResolvedTimes, binder: Binder, texts: Texts) -> Accounting:
    rows = gathered.row()
    listed = list(gathered.aside)
    if settled.aside:
        lines = [int(rows[position]) for position, _ in settled.aside]
        text = texts(lines)
        listed.extend(
            SetAside(job.path, line, reason, text.get(line, "")[:2000])
            for line, (_, reason) in zip(lines, settled.aside, strict=True)
        )
    listed.sort(key=lambda row: row.row)
    counts = dict(Counter(row.reason for row in listed))
    outside = settled.outside + gathered.outside
    if outside:
        counts[OUTSIDE_WINDOW] = outside
    return Accounting(
        gathered.rows_read, len(settled.position), dict(sorted(counts.items())), dict(sorted(binder.missing.items())),
        tuple(listed),
    )  # fmt: skip
