"""Binds the points of one export that has been read: times settled, marks decided, every row accounted for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from forensics.intake.exhibits import Exhibit
from forensics.intake.job import SourceJob
from forensics.intake.points.bind import Binder
from forensics.intake.points.column_marks import decide_for_columns
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
from forensics.intake.result import OUTSIDE_WINDOW, Accounting, SetAside, SourceResult
from forensics.intake.table.decimal_mark import MarkDecision
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.raw_table import FileCounts, RawTable
from forensics.intake.table.values import Marks
from forensics.model.row_numbers import FILE_ROWS, place_of
from forensics.model.vocabulary import is_switch

Texts = Callable[[list[int]], dict[int, str]]


def bind_points(
    job: SourceJob,
    exhibits: Sequence[Exhibit],
    dialect: Dialect,
    layout: Layout,
    gathered: RawTable,
    marks: MarkDecision,
    texts: Texts,
) -> tuple[SourceResult, ...]:
    """Settle times, bind points and account for every row: a result for each file, the points with the first.

    Parameters
    ----------
    exhibits
        The files of the source, in the order of their rows.
    texts
        Gives the text of physical rows: for duplicates, and for the list of rows set aside.
    """
    names, keys = _keys(gathered, layout)
    time_name = ", ".join(dialect.names[i] for i in dialect.time_columns)
    summer = None if layout.summer_column is None else (layout.summer_column, dialect.names[layout.summer_column])
    judge = TimeResolver(
        path=job.path,
        source=job.source,
        zone=job.zone,
        time_name=time_name,
        keep=job.keep,
        failure_ns=job.failure_ns,
        problems=job.problems,
        summer_column=summer,
    )
    for question in BEFORE_TIMES:
        question(job, dialect, gathered)
    settled = judge.settle(gathered, keys, _column_texts(gathered, dialect) or texts)
    if settled is None:
        for number, _ in layout.points:
            job.found.add(number)
        for number, _, _ in layout.wide:
            job.found.add(number)
        return _empty(job, exhibits, layout, gathered, judge)
    if settled.conflict:
        return _empty(job, exhibits, layout, gathered, judge, settled.conflict)
    binder = Binder(
        job.path, job.source, job.clock, job.casefile.machine, job.problems, settled.resolution_s,
        detections=judge.detections, notes=judge.notes,
    )  # fmt: skip
    for ask in BEFORE_BINDING:
        ask(job, dialect, layout, gathered, binder)
    decided = decide_for_columns(job, dialect, layout, gathered, marks, binder=binder, texts=texts, named=names)
    points = _bind(job, dialect, layout, gathered, settled, binder=binder, marks=decided, named=(names, keys))
    job.found |= points.found
    job.names.extend(names)
    accounts = _account(job, gathered, settled, binder, texts)
    name = job.source.path if gathered.files else ""
    kind, shown = layout.kind, layout.layout if layout.layout != "text" else "long"
    out = [
        SourceResult(
            exhibit, kind, shown, job.clock, account, first_ns=ends[0], last_ns=ends[1], joined_as=name, rows=rows
        )
        for exhibit, account, ends, rows in zip(
            exhibits, accounts, settled.ranges, _lines(gathered, len(exhibits)), strict=True
        )
    ]
    out[0] = replace(
        out[0],
        detections=tuple(binder.detections),
        notes=tuple(binder.notes),
        samples=tuple(points.samples),
        switches=tuple(points.switches),
        log=tuple(points.log),
    )
    return tuple(out)


def _lines(gathered: RawTable, files: int) -> list[tuple[int, int]]:
    """First and last row with a time of each file, as it numbers them; (0, 0) where all lie far outside the window."""
    found = dict.fromkeys(range(files), (0, 0))
    for piece in gathered.pieces:
        file, low = place_of(int(piece.row.min()))
        at = max(file - 1, 0)
        first = low if found[at] == (0, 0) else min(low, found[at][0])
        found[at] = (first, max(place_of(int(piece.row.max()))[1], found[at][1]))
    return list(found.values())


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


def _empty(
    job: SourceJob,
    exhibits: Sequence[Exhibit],
    layout: Layout,
    gathered: RawTable,
    judge: TimeResolver,
    conflict: str = "",
) -> tuple[SourceResult, ...]:
    """Results of a source whose times are not settled: every row that is not set aside waits for the answer."""
    out = []
    read = [file.rows_read for file in gathered.files] or [gathered.rows_read]
    for exhibit, rows_read in zip(exhibits, read, strict=True):
        aside = tuple(row for row in gathered.aside if row.source == exhibit.path)
        counts = Counter(row.reason for row in aside)
        waiting = rows_read - sum(counts.values())
        if waiting:
            counts["files are not of one log" if conflict else "time question open"] = waiting
        account = Accounting(rows_read, 0, dict(counts), {}, aside)
        name = job.source.path if gathered.files else ""
        out.append(SourceResult(exhibit, layout.kind, layout.layout, job.clock, account, joined_as=name))
    if conflict:
        job.leave_out(f"{conflict}.", "Name the files of each logger by a pattern or a clock of their own.")
    out[0] = replace(out[0], conflict=conflict, detections=tuple(judge.detections), notes=tuple(judge.notes))
    return tuple(out)


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
        return wide_points(layout.wide, gathered, settled, binder, marks, header=dialect.raw_names, units=dialect.units)
    if layout.layout == "text" and layout.text_column is not None:
        points = text_points(layout.points, gathered, settled, binder, layout.text_column, start_ns)
        points.log = list(
            log_lines(gathered, settled, job.path, job.clock, None, value_column=None, text_column=layout.text_column)
        )
        return points
    if keys is None or layout.value_column is None:
        return Points()
    events = layout.kind == "events"
    table = LongTable(names, keys, layout.value_column, layout.unit_column, events=events, start_ns=start_ns)
    points = long_points(layout.points, gathered, settled, binder, marks, table)
    if events:
        points.log = list(
            log_lines(
                gathered,
                settled,
                job.path,
                job.clock,
                layout.point_column,
                value_column=layout.value_column,
                text_column=layout.text_column,
            )
        )
        for number, point in layout.points:
            if number not in points.found and point.source == job.path and is_switch(point.role):
                points.found.add(number)
                points.switches.append(no_event(point, binder, settled, gathered.row(), start_ns))
                binder.notes.append(f"{point.column} never occurs in the list: there was no such event")
    return points


def _account(
    job: SourceJob, gathered: RawTable, settled: ResolvedTimes, binder: Binder, texts: Texts
) -> list[Accounting]:
    """What became of the rows of each file."""
    rows = gathered.row()
    listed = list(gathered.aside)
    files = gathered.files or [
        FileCounts(job.path, gathered.rows_read, gathered.outside, gathered.first_local, gathered.last_local)
    ]
    if settled.aside:
        wanted = [int(rows[position]) for position, _ in settled.aside]
        text = texts(wanted)
        for row, (_, reason) in zip(wanted, settled.aside, strict=True):
            number, line = place_of(row)
            listed.append(SetAside(files[max(number - 1, 0)].path, line, reason, text.get(row, "")[:2000]))
    first = 1 if gathered.files else 0
    kept, outside = (_by_file(rows, places, len(files), first) for places in (settled.position, settled.outside))
    out = []
    for number, file in enumerate(files, start=first):
        own = sorted((row for row in listed if row.source == file.path), key=lambda row: row.row)
        counts = dict(Counter(row.reason for row in own))
        if far := int(outside[number]) + file.outside:
            counts[OUTSIDE_WINDOW] = far
        missing = dict(sorted(binder.missing[number].items()))
        out.append(Accounting(file.rows_read, int(kept[number]), dict(sorted(counts.items())), missing, tuple(own)))
    return out


def _by_file(rows: NDArray[np.int64], places: NDArray[np.int64], files: int, first: int) -> list[int]:
    """How many rows of some places stand in each file, by its number."""
    if not first:
        return [len(places)]
    counts = np.bincount(rows[places] // FILE_ROWS, minlength=files + first)
    return [int(count) for count in counts]
