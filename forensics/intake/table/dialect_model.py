"""What was found at the head of an export: names, units, notes, time columns."""

from __future__ import annotations

from dataclasses import dataclass, field

from forensics.intake.lexicon import plain
from forensics.intake.result import Detection
from forensics.intake.table.headers import mended
from forensics.intake.table.records import RowText


@dataclass(frozen=True, slots=True)
class Note:
    """A line above or below the table, kept as a note."""

    line: int
    text: str


@dataclass(slots=True)
class Dialect:
    """What was found at the head of an export.

    Attributes
    ----------
    names
        Column names, made unique by place where a name comes twice.
    raw_names
        As written.
    units
        Column number to the text of the units row.
    lower_names
        Under two header rows without merged cells, the names of the lower one: a column may stand under no group.
    header_line, data_line
        Physical line of the header (0 where there is none) and of the first record.
    time_columns
        Columns whose texts make the stamp, in their order; empty where none was found.
    candidates
        Columns that hold whole stamps, when the case does not name one.
    sparse_dates
        Whether a date is written only where it changes: an empty one is that above it.
    phantom
        How many more fields than the header most records have, all of them empty.
    """

    delimiter: str
    names: list[str]
    raw_names: list[str]
    units: dict[int, str] = field(default_factory=dict)
    lower_names: list[str] = field(default_factory=list)
    header_line: int = 0
    data_line: int = 1
    preamble: list[Note] = field(default_factory=list)
    time_columns: list[int] = field(default_factory=list)
    candidates: list[int] = field(default_factory=list)
    phantom: int = 0
    sparse_dates: bool = False
    sample: list[RowText] = field(default_factory=list)
    detections: list[Detection] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def width(self) -> int:
        """Number of fields of a record."""
        return len(self.raw_names)

    def samples_of(self, column: int) -> list[tuple[int, str]]:
        """Line and text of the cells of a column among the first records."""
        return [
            (row.line, row.fields[column]) for row in self.sample if row.fields is not None and len(row.fields) > column
        ]


def column_index(dialect: Dialect, name: str) -> int | None:
    """Number of a column by its name: exactly, else without regard to case and blanks, where only one fits."""
    for names in (dialect.names, dialect.raw_names):
        if names.count(name) == 1:
            return names.index(name)
    key = plain(mended(name))
    for names in (dialect.names, dialect.raw_names, dialect.lower_names):
        hits = [i for i, have in enumerate(names) if plain(have) == key]
        if len(hits) == 1:
            return hits[0]
    return None
