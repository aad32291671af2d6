"""Where the columns of an export stand now, and which of its rows are no records.

A header may come again below, with its columns in another order, under other names, or with other units: from there on
the columns are found by name, and what the new header lacks is missing, never taken from another column.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from forensics.intake.lexicon import plain, read_words
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.headers import is_units, mended, says_what_it_is, unit_text
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.records import RowText
from forensics.intake.table.values import NO_COLUMN
from forensics.model.units import read_unit

BLANK = "blank line"
REPEATED = "repeated header"
UNITS = "repeated units row"
WIDTH = "wrong number of fields"
NO_TIME = "time not readable"
NUL = "NUL bytes"
QUOTE = "unclosed quote"


@dataclass(slots=True)
class Wanted:
    """Which columns are read, and as what.

    Attributes
    ----------
    time
        Columns that make the stamp.
    numbers, words, texts
        As numbers where the library can, as dictionary-encoded words, as plain text.
    """

    time: list[int]
    numbers: list[int] = field(default_factory=list)
    words: list[int] = field(default_factory=list)
    texts: list[int] = field(default_factory=list)

    def all(self) -> list[int]:
        """Every column that is read, the time columns included."""
        return sorted({*self.time, *self.numbers, *self.words, *self.texts})


_UNDER_HEADER = 4  # lines: units, descriptions and types stand no further below


@dataclass(slots=True)
class ColumnMap:
    """The columns of the rows that come now.

    Attributes
    ----------
    position
        Place of each wanted column; None where the latest header lacks it.
    width
        Number of fields of a row.
    header_line
        Physical line of the latest header.
    has_record
        Whether a record was seen since: words directly under a header describe its columns, they name no others.
    """

    dialect: Dialect
    wanted: Wanted
    gathered: RawTable
    position: dict[int, int | None] = field(init=False)
    width: int = field(init=False)
    header_line: int = field(init=False)
    has_record: bool = False

    def __post_init__(self) -> None:
        self.position = {column: column for column in self.wanted.all()}
        self.width = self.dialect.width
        self.header_line = self.dialect.header_line

    def absent(self, column: int) -> str:
        """What stands for the cells of a column that the latest header lacks."""
        return "" if column in self.wanted.time else f"{NO_COLUMN}{self.header_line}"

    def reason(self, record: RowText) -> str:
        """Why a record can't be a row of the table; empty where it can."""
        if "\0" in record.text:
            return NUL
        fields = record.fields
        if fields is None:
            return QUOTE
        if not any(cell.strip() for cell in fields):
            return BLANK
        if self._is_header(fields, record.line):
            return REPEATED
        if len(fields) > self.width and not any(cell.strip() for cell in fields[self.width :]):
            self.gathered.extra(record.line, record.line)
            return ""
        if len(fields) != self.width:
            return WIDTH
        if self._is_units(record):
            return UNITS
        self.has_record = True
        return ""

    def _is_header(self, fields: Sequence[str], line: int) -> bool:
        """Whether a row names columns: every time column and half of the others, or words alone under the time."""
        if not self.dialect.header_line or not any(plain(cell) in self._time_words() for cell in fields):
            return False
        cells = {plain(mended(cell)) for cell in fields}
        names = [plain(name) for name in self.dialect.raw_names]
        if all(names[i] in cells for i in self.wanted.time) and (
            len(self.wanted.time) > 1 or len(cells & set(names)) * 2 >= len(cells)
        ):
            return True
        if not self.has_record and line - self.header_line <= _UNDER_HEADER:
            return False
        places = [self.position[i] for i in self.wanted.time]
        under = [fields[place] for place in places if place is not None and place < len(fields)]
        named = bool(under) and all(plain(mended(cell)) in self._time_words() for cell in under)
        return named and not any(_is_number(cell) for cell in fields)

    def _time_words(self) -> frozenset[str]:
        return read_words().columns["time"] | {plain(self.dialect.raw_names[i]) for i in self.wanted.time}

    def _is_units(self, record: RowText) -> bool:
        """Whether a row gives units; where they are others than before the columns concerned are noted."""
        cells = [mended(cell.strip()) for cell in record.fields or ()]
        known = self.dialect.units
        if not known or any(_is_number(cell) for cell in cells):
            return False
        time_places = {self.position[i] for i in self.wanted.time}
        if any(cells[place] for place in time_places if place is not None and not says_what_it_is(cells[place])):
            return False
        if not is_units(cells, below_names=True):
            return False
        for column, place in self.position.items():
            if place is None:
                continue
            before, now = read_unit(known.get(column, "")), read_unit(unit_text(cells[place]))
            if before is not None and now is not None and (before.factor, before.datum) != (now.factor, now.datum):
                self.gathered.unit_changes.setdefault(column, (record.line, before.text, now.text))
        return True

    def remap(self, record: RowText) -> None:
        """Map the columns of a repeated header by name; the same header changes nothing."""
        cells = [mended(cell.strip()) for cell in record.fields or ()]
        while len(cells) > 1 and not cells[-1]:
            cells.pop()
        names = self.dialect.raw_names
        self.width, self.header_line, self.has_record = len(cells), record.line, False
        if cells == names:
            self.position = {column: column for column in self.wanted.all()}
            return
        plain_cells, plain_names = [plain(cell) for cell in cells], [plain(name) for name in names]
        for column in self.wanted.all():
            same = [i for i, cell in enumerate(plain_cells) if cell == plain_names[column]]
            place = [i for i, name in enumerate(plain_names) if name == plain_names[column]].index(column)
            self.position[column] = same[place] if place < len(same) else None
        lost = [column for column in self.wanted.all() if self.position[column] is None]
        if len(self.wanted.time) == 1 and self.wanted.time[0] in lost:
            named = [i for i, cell in enumerate(plain_cells) if cell in read_words().columns["time"]]
            if len(named) == 1:
                self.position[self.wanted.time[0]] = named[0]
                lost.remove(self.wanted.time[0])
        self._say(record.line, lost, [cell for cell in cells if plain(cell) not in plain_names])

    def _say(self, line: int, lost: Sequence[int], new: Sequence[str]) -> None:
        text = f"line {line}: the header changes here; columns are mapped by name"
        if lost:
            names = ", ".join(f"'{self.dialect.names[column]}'" for column in lost)
            text += f"; it has no {names}, which is missing from there on"
        if lost and new:
            text += f" (new there: {', '.join(repr(cell) for cell in new[:8])}; supply the parts as two sources)"
        self.gathered.notes.append(text)


def _is_number(cell: str) -> bool:
    """Whether a cell begins as a number or a stamp does."""
    return cell.strip().lstrip("+-.,")[:1].isdigit()
