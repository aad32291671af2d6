"""The decimal mark of columns that the head of a file left open: from all of their cells, else asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from forensics.intake.job import SourceJob
from forensics.intake.lexicon import plain
from forensics.intake.points.bind import Binder
from forensics.intake.points.find_layout import Layout
from forensics.intake.result import Detection
from forensics.intake.table.decimal_mark import MarkDecision, decide_marks
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.records import parse
from forensics.intake.table.values import MarkCount, Marks
from forensics.model.row_numbers import said_row
from forensics.model.vocabulary import is_switch

Texts = Callable[[list[int]], dict[int, str]]


def decide_for_columns(
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
            f"'{text}' (line {said_row(row)}) may be {text.replace(mark, '')} or {text.replace(mark, '.')}; {why}.",
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
            f"'{text}' (line {said_row(row)}) may be {text.replace(mark, '')} or {text.replace(mark, '.')}; every "
            "number with a mark has exactly three digits after it.",
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
                "decimal mark", "comma" if decimal == "," else "point", f"decided by line {said_row(row)} ({shown})"
            )
            return MarkDecision(marks.marks, settled=True, detections=[found])
    return MarkDecision(marks.marks, settled=not undecided, undecided=undecided)
