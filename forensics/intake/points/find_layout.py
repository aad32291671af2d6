"""Wide, long or an event list: which column names points, which holds values, and which points are bound where."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from forensics.case.exports import Point
from forensics.intake.job import SourceJob
from forensics.intake.lexicon import plain, read_words
from forensics.intake.points.bind import is_number
from forensics.intake.result import Detection
from forensics.intake.table.dialect_model import Dialect, column_index
from forensics.intake.table.row_filter import Wanted

_BRACKETS = re.compile(r"\s*[\[(][^\[\]()]*[\])]\s*$")
_MOST_LONG_COLUMNS = 10


@dataclass(slots=True)
class Layout:
    """How the rows of an export stand for points.

    Attributes
    ----------
    kind
        ``trend`` or ``events``.
    layout
        ``wide``, ``long``, or ``text`` (an event list whose texts name point and state).
    wide
        For wide layouts: number of the point in the case file, the point, its column.
    points
        For the others: number and point, found by name in the rows.
    summer_column
        A column that tells of each stamp whether it is in summer time.
    status_column
        For long layouts: a column of states beside the values, which may say that there was no reading.
    """

    kind: str
    layout: str
    wide: list[tuple[int, Point, int]] = field(default_factory=list)
    points: list[tuple[int, Point]] = field(default_factory=list)
    point_column: int | None = None
    value_column: int | None = None
    text_column: int | None = None
    quality_column: int | None = None
    status_column: int | None = None
    unit_column: int | None = None
    summer_column: int | None = None
    quality_of: dict[int, int] = field(default_factory=dict)
    detections: list[Detection] = field(default_factory=list)


def find_layout(job: SourceJob, dialect: Dialect) -> Layout:
    """Decide the layout of an export and which points may be in it.

    What the case file gives is taken; else an export whose header names bound columns is wide, and one whose header has
    a column of point names and one of values is long.
    """
    source = job.source
    named = {kind: _named(dialect, kind) for kind in ("point", "value", "text", "quality", "unit")}
    point_column = _told(job, dialect, source.point_column, "point_column", named["point"])
    value_column = _told(job, dialect, source.value_column, "value_column", named["value"])
    text_column = _told(job, dialect, source.text_column, "text_column", named["text"])
    in_header = [item for item in job.points if _column_of(dialect, item[1].column) is not None]
    bound_text = [item for item in job.points if text_column is not None and _is_column(dialect, item[1], text_column)]
    kind = source.kind or _kind(job, dialect, point_column, value_column, text_column, in_header)
    if source.text_column and not source.point_column:
        point_column = None
    if kind == "events" and point_column is None and (text_column is not None or bound_text):
        layout = Layout("events", "text", points=bound_text or _explicit(job), text_column=text_column)
    elif _is_long(job, dialect, kind, point_column, value_column, text_column=text_column, in_header=in_header):
        value = value_column if value_column is not None else text_column
        layout = Layout(kind, "long", points=job.points, point_column=point_column, value_column=value)
        layout.text_column = text_column if text_column != value else None
        layout.quality_column, layout.unit_column = named["quality"], named["unit"]
        layout.status_column = _status_beside(dialect, layout)
    else:
        layout = Layout(kind, "wide")
        _bind_wide(job, dialect, layout)
    layout.summer_column = _told(
        job, dialect, source.summer_time_column, "summer_time_column", _named(dialect, "summer")
    )
    if not source.kind:
        layout.detections.append(Detection("kind", layout.kind, "columns " + ", ".join(dialect.names[:5])))
    if not source.layout:
        layout.detections.append(Detection("layout", layout.layout, "columns " + ", ".join(dialect.names[:5])))
    return layout


def _status_beside(dialect: Dialect, layout: Layout) -> int | None:
    """A second column with the name of a state or value, where the values stand in another."""
    names = read_words().columns["value"]
    taken = {layout.point_column, layout.value_column, layout.text_column, layout.unit_column, layout.quality_column}
    hits = [
        place
        for place, name in enumerate(dialect.raw_names)
        if plain(name) in names and place not in taken and place not in dialect.time_columns
    ]
    return hits[0] if len(hits) == 1 and layout.quality_column is None and layout.value_column is not None else None


def _explicit(job: SourceJob) -> list[tuple[int, Point]]:
    return [item for item in job.points if item[1].source == job.path]


def _named(dialect: Dialect, kind: str) -> int | None:
    names = read_words().columns[kind]
    hits = [i for i, name in enumerate(dialect.raw_names) if plain(name) in names and i not in dialect.time_columns]
    return hits[0] if hits else None


def _told(job: SourceJob, dialect: Dialect, name: str, key: str, seen: int | None) -> int | None:
    if not name:
        return seen
    index = column_index(dialect, name)
    if index is None:
        job.leave_out(
            f"there is no column '{name}' ({key}); the header has {', '.join(dialect.names[:8])}.",
            f"Correct {key}.",
            dialect.header_line or None,
            name,
        )
    return index


def _is_column(dialect: Dialect, point: Point, column: int) -> bool:
    return column_index(dialect, point.column) == column


def _kind(
    job: SourceJob,
    dialect: Dialect,
    point_column: int | None,
    value_column: int | None,
    text_column: int | None,
    in_header: list[tuple[int, Point]],
) -> str:
    if job.source.text_column:
        return "events"
    if job.source.layout == "wide":
        return "trend"
    if text_column is not None and any(_is_column(dialect, point, text_column) for _, point in in_header):
        return "events"
    if in_header or text_column is None or dialect.width > _MOST_LONG_COLUMNS:
        return "trend"
    if point_column is None and value_column is None:
        return "events"
    if value_column is None:
        return "events"
    cells = [text for _, text in dialect.samples_of(value_column)]
    numbers = sum(bool(re.fullmatch(r"\s*[+-]?\d+[.,]\d+\s*", cell)) for cell in cells)
    return "trend" if numbers else "events"


def _is_long(
    job: SourceJob,
    dialect: Dialect,
    kind: str,
    point_column: int | None,
    value_column: int | None,
    text_column: int | None,
    in_header: list[tuple[int, Point]],
) -> bool:
    source = job.source
    if source.layout:
        return source.layout == "long" and point_column is not None
    if point_column is None or (value_column is None and text_column is None):
        return False
    if source.point_column or kind == "events":
        return True
    return not in_header and dialect.width <= _MOST_LONG_COLUMNS


def _column_of(dialect: Dialect, name: str) -> int | None:
    """Column of a point: by its name, or by its name without the unit in brackets."""
    index = column_index(dialect, name)
    if index is not None:
        return index
    key = plain(name)
    hits = [i for i, have in enumerate(dialect.raw_names) if plain(_BRACKETS.sub("", have)) == key]
    return hits[0] if len(hits) == 1 else None


def _bind_wide(job: SourceJob, dialect: Dialect, layout: Layout) -> None:
    for number, point in job.points:
        twice = [i for i, name in enumerate(dialect.raw_names) if plain(name) == plain(point.column)]
        if len(twice) > 1:
            places = " and ".join(str(i + 1) for i in twice)
            names = " or ".join(f"'{dialect.names[i]}'" for i in twice)
            job.leave_out(
                f"columns {places} have the same name '{point.column}'{_values_differ(dialect, twice)}. "
                "Which machine is each?",
                f"Give column = {names}.",
                dialect.header_line,
                point.column,
            )
            continue
        column = _column_of(dialect, point.column)
        if column is None:
            continue
        if column in dialect.time_columns:
            job.leave_out("a time column can't be a point.", "Correct column.", dialect.header_line, point.column)
            continue
        other = _own_time(dialect, column)
        if other is not None:
            job.leave_out(
                f"it stands behind a time column of its own, '{dialect.names[other]}', whose stamps are not those of "
                f"'{dialect.names[dialect.time_columns[0]]}'.",
                "Export it with the other points, or its time and it as a source of their own.",
                dialect.header_line,
                point.column,
            )
            continue
        layout.wide.append((number, point, column))
        quality = _quality_of(dialect, column)
        if quality is not None:
            layout.quality_of[column] = quality


def _own_time(dialect: Dialect, column: int) -> int | None:
    """Time column that stands between the one in use and a column, under the same name and with other stamps."""
    used = dialect.time_columns[0] if len(dialect.time_columns) == 1 else None
    if used is None:
        return None
    name = plain(dialect.raw_names[used])
    behind = [i for i in range(column) if plain(dialect.raw_names[i]) == name]
    if not behind or behind[-1] == used:
        return None
    stamps = [text for _, text in dialect.samples_of(used)]
    return behind[-1] if stamps != [text for _, text in dialect.samples_of(behind[-1])] else None


def _values_differ(dialect: Dialect, columns: list[int]) -> str:
    cells = [[text for _, text in dialect.samples_of(column)] for column in columns]
    return " and different values" if any(other != cells[0] for other in cells[1:]) else ""


def _quality_of(dialect: Dialect, column: int) -> int | None:
    """Column that holds the quality of another: its name with a quality word after it, or an unnamed one next to it."""
    words = read_words().columns["quality"]
    base = plain(_BRACKETS.sub("", dialect.raw_names[column]))
    for index, name in enumerate(dialect.raw_names):
        rest = plain(name)
        if index == column or not rest.startswith(base):
            continue
        if rest[len(base) :].strip(" .:_-/()[]") in words:
            return index
    following = column + 1
    if following < dialect.width and plain(dialect.raw_names[following]) in words:
        return following
    return None


def wanted_columns(dialect: Dialect, layout: Layout) -> Wanted:
    """Which columns the lanes must give, and as what."""
    wanted = Wanted(time=list(dialect.time_columns))
    if layout.summer_column is not None:
        wanted.words.append(layout.summer_column)
    if layout.layout == "wide":
        numbers = {column for _, point, column in layout.wide if is_number(point)}
        states = {column for _, point, column in layout.wide if not is_number(point)}
        wanted.numbers = sorted(numbers - states)
        wanted.words = sorted({*wanted.words, *states, *layout.quality_of.values()})
        wanted.numbers = [column for column in wanted.numbers if column not in wanted.words]
        return wanted
    beside = (layout.quality_column, layout.status_column, layout.unit_column, layout.text_column)
    for column in (layout.point_column, *beside):
        if column is not None and column not in wanted.words:
            wanted.words.append(column)
    if layout.value_column is not None and layout.value_column not in wanted.words:
        (wanted.words if layout.kind == "events" else wanted.numbers).append(layout.value_column)
    return wanted
