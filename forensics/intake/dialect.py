"""How an export is laid out: delimiter, notes above the header, header, units row, which columns hold stamps."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from forensics.casefile import Source
from forensics.intake.reading import Detection
from forensics.intake.rows import RowText, records, split_lines
from forensics.intake.stamp_fields import EPOCH, FIXED, OPEN, TIME_ONLY
from forensics.intake.stamps import read_fields
from forensics.intake.time_pairs import FRACTION
from forensics.intake.words import plain, read_words
from forensics.units import read_unit

DELIMITERS = (",", ";", "\t", "|")
_DELIMITER_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
_TOLD = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "pipe": "|"}
_SAMPLE_ROWS = 400
_SHARE = 0.6
_UNITS_SHARE = 0.75


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
    header_line, data_line
        Physical line of the header (0 where there is none) and of the first record.
    time_columns
        Columns whose texts make the stamp, in their order; empty where none was found.
    candidates
        Columns that hold whole stamps, when the case does not name one.
    phantom
        Records have one more, empty field than the header.
    """

    delimiter: str
    names: list[str]
    raw_names: list[str]
    units: dict[int, str] = field(default_factory=dict)
    header_line: int = 0
    data_line: int = 1
    preamble: list[Note] = field(default_factory=list)
    time_columns: list[int] = field(default_factory=list)
    candidates: list[int] = field(default_factory=list)
    phantom: bool = False
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


def unique_names(names: Sequence[str]) -> list[str]:
    """Column names by which the report calls them: ``name [col 3]`` where a name comes twice."""
    counts = Counter(names)
    return [f"{name} [col {i + 1}]" if counts[name] > 1 else name for i, name in enumerate(names)]


def mended(text: str) -> str:
    """Text whose UTF-8 was once taken for cp1252 and encoded again, put right; other text as it is."""
    if "Â" not in text and "Ã" not in text:
        return text
    try:
        return text.encode("cp1252").decode("utf-8")
    except UnicodeError:
        return text


def told_delimiter(text: str) -> str:
    """Delimiter as the case file gives it: the character or its name."""
    return _TOLD.get(text.strip().lower(), text[:1]) if text.strip() else ("\t" if text == "\t" else "")


def find_dialect(sample: bytes, source: Source) -> Dialect:
    """Look at the head of an export (UTF-8) and say how it is laid out.

    Parameters
    ----------
    sample
        First bytes; an incomplete last line is left out by the caller.
    source
        What the case file tells overrules what is seen.
    """
    lines = split_lines(sample)
    told = told_delimiter(source.delimiter)
    tries = [told] if told else list(DELIMITERS)
    best: tuple[tuple[float, float, int], str, list[RowText]] | None = None
    for delimiter in tries:
        rows = list(records(lines[: _SAMPLE_ROWS + 300], delimiter, 1, None))
        score = _score(rows)
        if best is None or score > best[0]:
            best = (score, delimiter, rows)
    if best is None:
        raise AssertionError("no delimiter was tried")
    _, delimiter, rows = best
    dialect = _table(rows, delimiter, source)
    how = "given in the case file" if told else f"{dialect.width} fields a record"
    dialect.detections.append(Detection("delimiter", _DELIMITER_NAMES.get(delimiter, delimiter), how))
    return dialect


def _filled(row: RowText) -> int:
    return sum(1 for cell in row.fields or () if cell.strip())


def _modal_width(rows: Sequence[RowText]) -> int:
    widths = Counter(len(row.fields) for row in rows if row.fields and _filled(row) and len(row.fields) > 1)
    if not widths:
        return 1
    top = max(widths.values())
    return max(width for width, count in widths.items() if count == top)


def _stamp_forms(rows: Sequence[RowText], column: int) -> list[int]:
    import pyarrow as pa

    texts = [row.fields[column] if row.fields and len(row.fields) > column else "" for row in rows]
    return [int(form) for form in read_fields(pa.array(texts, pa.string())).form]


def _score(rows: Sequence[RowText]) -> tuple[float, float, int]:
    filled = [row for row in rows if _filled(row)]
    if not filled:
        return (0.0, 0.0, 0)
    width = _modal_width(filled)
    wide = [row for row in filled if row.fields and len(row.fields) == width]
    if width == 1:
        wide = filled
    stamped = 0.0
    for column in range(min(width, 8)):
        forms = _stamp_forms(wide[:60], column)
        below = list(itertools.dropwhile(lambda form: form not in (FIXED, OPEN), forms))  # names and units stand above
        share = sum(form in (FIXED, OPEN) for form in below) / max(len(below), 1)
        stamped = max(stamped, share if width > 1 else share * 0.5)
    return (round(stamped, 1), len(wide) / len(filled) if width > 1 else 0.1, width)


def _table(rows: list[RowText], delimiter: str, source: Source) -> Dialect:
    width = _modal_width(rows)
    wanted = [plain(mended(name)) for name in (*source.time_column, source.point_column, source.value_column) if name]
    header = _told_header(rows, wanted)
    if header is None:
        header = _seen_header(rows, width)
    if header is None:
        return _no_header(rows, delimiter, width)
    fields = [cell.strip() for cell in rows[header].fields or []]
    after = header + 1
    data_width = _modal_width(rows[after : after + _SAMPLE_ROWS])
    while len(fields) > 1 and not fields[-1] and len(fields) > data_width:
        fields.pop()
    above = _group_row(rows, header, fields)
    if above is not None:
        fields = _grouped([cell.strip() for cell in rows[above].fields or []], fields)
    dialect = Dialect(delimiter, [], [mended(cell) for cell in fields], header_line=rows[header].line)
    if dialect.raw_names != fields:
        dialect.detections.append(
            Detection("text repaired", "header", "UTF-8 that was encoded twice: shown as it was meant")
        )
    dialect.names = unique_names(dialect.raw_names)
    dialect.preamble = [Note(row.line, row.text) for i, row in enumerate(rows[:header]) if _filled(row) and i != above]
    after = _units_rows(dialect, rows, after)
    dialect.data_line = rows[after].line if after < len(rows) else rows[-1].line + rows[-1].lines
    dialect.sample = [row for row in rows[after : after + _SAMPLE_ROWS] if _filled(row)]
    over = [row for row in dialect.sample if row.fields and len(row.fields) == dialect.width + 1]
    if len(over) * 2 > len(dialect.sample) and all(not (row.fields or [""])[-1].strip() for row in over):
        dialect.phantom = True
    _find_times(dialect, source)
    evidence = ", ".join(dialect.names[:4]) + (" …" if dialect.width > 4 else "")  # noqa: PLR2004
    dialect.detections.append(Detection("header", f"line {dialect.header_line}", evidence))
    return dialect


def _group_row(rows: Sequence[RowText], header: int, names: Sequence[str]) -> int | None:
    """Row of group names above a header whose names come twice or are empty."""
    if not names or ("" not in names and len(set(names)) == len(names)):
        return None
    for index in range(header - 1, -1, -1):
        fields = [cell.strip() for cell in rows[index].fields or []]
        if not any(fields):
            continue
        fits = len(fields) >= len(names) and sum(map(bool, fields)) > 1 and not _is_stamped(rows[index])
        return index if fits and len(set(filter(None, fields))) > 1 else None
    return None


def _grouped(groups: Sequence[str], names: Sequence[str]) -> list[str]:
    """``group / name``; a group goes on over empty cells after it, a column without a second name keeps the first."""
    out, group = [], ""
    for above, name in zip(groups, names, strict=False):
        group = above or (group if name else "")
        out.append(f"{group} / {name}" if group and name else group or name)
    return out


def _told_header(rows: Sequence[RowText], wanted: Sequence[str]) -> int | None:
    if not wanted:
        return None
    for index, row in enumerate(rows):
        cells = {plain(mended(cell)) for cell in row.fields or ()}
        bare = {re.sub(r" \[col \d+\]$", "", name) for name in wanted}
        if bare <= cells:
            return index
    return None


def _is_stamped(row: RowText) -> bool:
    if not row.fields:
        return False
    return any(form in (FIXED, OPEN) for form in (_form(cell) for cell in row.fields[:12]))


def _form(cell: str) -> int:
    import pyarrow as pa

    return int(read_fields(pa.array([cell], pa.string())).form[0])


def _seen_header(rows: Sequence[RowText], width: int) -> int | None:
    """The last row of names above the first record."""
    wide = [i for i, row in enumerate(rows) if row.fields and len(row.fields) in (width, width + 1) and _filled(row)]
    if not wide:
        return None
    time_names = read_words().columns["time"]
    for place, i in enumerate(wide):
        # the name of a time column with a stamp soon below it settles it
        for column, cell in enumerate(rows[i].fields or ()):
            if plain(cell) in time_names and _stamp_below(rows, wide[place + 1 : place + 4], column):
                below = wide[place + 1]
                return below if _is_second_names(rows[below], column) else i
    first = next((i for i in wide if _is_stamped(rows[i]) and _goes_on(rows, wide, i)), None)
    if first is None:
        for i in wide:
            if any(plain(cell) in time_names for cell in rows[i].fields or ()):
                return i
        named = [i for i in wide if _filled(rows[i]) > 1 and not _is_stamped(rows[i])]
        return named[0] if named else None
    for i in range(first - 1, -1, -1):
        row = rows[i]
        if not row.fields or len(row.fields) < max(width - 1, 1):
            continue
        cells = [cell.strip() for cell in row.fields]
        enough = sum(map(bool, cells)) * 2 >= len(cells) or any(plain(c) in time_names for c in cells)
        if enough and not _is_units(cells) and not _is_ruler(cells):
            return i
    return None


def _is_second_names(row: RowText, time_column: int) -> bool:
    """Whether a row under a header holds more names: nothing under the time, and no units."""
    cells = [cell.strip() for cell in row.fields or []]
    empty = len(cells) > time_column and not cells[time_column]
    return (
        empty and sum(map(bool, cells)) > 1 and not _is_stamped(row) and not _is_units(cells) and not _is_ruler(cells)
    )


def _stamp_below(rows: Sequence[RowText], below: Sequence[int], column: int) -> bool:
    cells = [fields[column] for fields in (rows[i].fields or [] for i in below) if len(fields) > column]
    return any(_form(cell) in (FIXED, OPEN) for cell in cells)


def _goes_on(rows: Sequence[RowText], wide: Sequence[int], index: int) -> bool:
    following = [i for i in wide if i > index][:3]
    return all(_is_stamped(rows[i]) for i in following[:1]) if following else True


def _is_ruler(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return bool(filled) and all(re.fullmatch(r"[-=_*+ ]+", cell) for cell in filled)


def _unit_text(cell: str) -> str:
    return cell.strip().strip("[]()").strip() if not re.search(r"\(.+\)$", cell.strip("()")) else cell.strip("[] ")


def _is_units(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    if not filled or any(plain(cell) in read_words().columns["time"] for cell in filled):
        return False
    known = sum(
        read_unit(mended(_unit_text(cell))) is not None or bool(re.fullmatch(r"[\[(].*[\])]", cell)) for cell in filled
    )
    return known >= _UNITS_SHARE * len(filled)


def _units_rows(dialect: Dialect, rows: Sequence[RowText], after: int) -> int:
    while after < len(rows):
        row = rows[after]
        cells = [cell.strip() for cell in row.fields or []]
        if not any(cells):
            if row.text.strip():
                after += 1
                continue
            break
        if _is_ruler(cells):
            after += 1
            continue
        if _is_stamped(row) or dialect.units or not _is_units(cells):
            break
        numbers = sum(bool(re.fullmatch(r"[+-]?[\d.,]+", cell)) for cell in cells)
        if numbers:
            break
        dialect.units = {i: mended(_unit_text(cell)) for i, cell in enumerate(cells) if cell}
        dialect.detections.append(
            Detection("units row", f"line {row.line}", ", ".join(list(dialect.units.values())[:6]))
        )
        after += 1
    return after


def _no_header(rows: list[RowText], delimiter: str, width: int) -> Dialect:
    filled = [i for i, row in enumerate(rows) if _filled(row)]
    stamped = any(_is_stamped(rows[i]) for i in filled)
    names = [f"column {i + 1}" for i in range(width)]
    if filled and not stamped:
        # names only, or nothing that looks like a table
        first = rows[filled[0]]
        names = [mended(cell.strip()) for cell in first.fields or [first.text]]
        dialect = Dialect(delimiter, unique_names(names), names, header_line=first.line, data_line=first.line + 1)
        dialect.sample = [rows[i] for i in filled[1:_SAMPLE_ROWS]]
        return dialect
    dialect = Dialect(delimiter, list(names), list(names), header_line=0, data_line=rows[0].line if rows else 1)
    dialect.sample = [rows[i] for i in filled[:_SAMPLE_ROWS]]
    dialect.notes.append("there is no header: columns are named by place (column 1, column 2, …)")
    _find_times(dialect, Source(path="x"))
    return dialect


def column_index(dialect: Dialect, name: str) -> int | None:
    """Number of a column by its name: exactly, else without regard to case and blanks, where only one fits."""
    for names in (dialect.names, dialect.raw_names):
        if names.count(name) == 1:
            return names.index(name)
    key = plain(mended(name))
    for names in (dialect.names, dialect.raw_names):
        hits = [i for i, have in enumerate(names) if plain(have) == key]
        if len(hits) == 1:
            return hits[0]
    return None


def _find_times(dialect: Dialect, source: Source) -> None:
    if source.time_column:
        found = [column_index(dialect, name) for name in source.time_column]
        dialect.time_columns = [index for index in found if index is not None]
        if len(dialect.time_columns) != len(source.time_column):
            dialect.time_columns = []
        return
    whole: list[int] = []
    dates: list[int] = []
    times: list[int] = []
    numbers: list[int] = []
    days: list[int] = []
    fractions: list[int] = []
    names = read_words().columns["time"]
    rows = [row for row in dialect.sample if row.fields and len(row.fields) >= dialect.width][:60]
    for column in range(dialect.width):
        forms = _stamp_forms(rows, column)
        cells = [row.fields[column].strip() for row in rows if row.fields]
        named = plain(re.sub(r"[\(\[].*", "", dialect.raw_names[column])) in names
        if _most(forms, (FIXED, OPEN)):
            has_time = sum(bool(re.search(r"\d[:h.]\d{2}|\d{6}", cell.split(" ", 1)[-1])) for cell in cells)
            bare = all(re.fullmatch(r"[\d]{1,4}[-/.][\d]{1,2}[-/.][\d]{1,4}|\d{8}", cell) for cell in cells if cell)
            (dates if bare or not has_time else whole).append(column)
        elif _most(forms, (TIME_ONLY,)):
            times.append(column)
        elif named and _most(forms, (EPOCH,)):
            (days if all(re.fullmatch(r"\d{5}|", cell) for cell in cells) else numbers).append(column)
        elif named and cells and sum(bool(FRACTION.fullmatch(cell)) for cell in cells) >= _SHARE * len(cells):
            fractions.append(column)
    named_whole = [i for i in whole if plain(re.sub(r"[\(\[].*", "", dialect.raw_names[i])) in names]
    dates, times = dates or days, times or fractions
    chosen = whole or numbers
    if chosen:
        dialect.candidates = named_whole or chosen
        dialect.time_columns = [(named_whole or chosen)[0]]
    elif dates and times:
        dialect.time_columns = [dates[0], times[0]]
    elif dates:
        dialect.time_columns = [dates[0]]
    else:
        dialect.time_columns = [i for i, name in enumerate(dialect.raw_names) if plain(name) in names][:1]
        return
    dialect.detections.append(
        Detection(
            "time column",
            ", ".join(dialect.names[i] for i in dialect.time_columns),
            f"cells of the first {len(rows)} records read as stamps",
        )
    )


def _most(forms: Sequence[int], wanted: tuple[int, ...]) -> bool:
    return bool(forms) and sum(form in wanted for form in forms) >= _SHARE * len(forms)
