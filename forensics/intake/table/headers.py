"""Which rows at the head of an export name its columns, give their units, or say something else."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from forensics.intake.arrow_arrays import string_array
from forensics.intake.lexicon import plain, read_words
from forensics.intake.table.records import RowText
from forensics.intake.timestamps.fields import EPOCH, FIXED, OPEN, TIME_ONLY
from forensics.intake.timestamps.parse import read_fields
from forensics.model.units import read_unit

_UNITS_SHARE, _FEW_UNITS = 0.75, 1 / 3
_SOON, _LOOK_BELOW = 3, 4
_LOOK_AT, _FIRST_FIELDS = 30, 12
_LIKE_UNIT = re.compile(r"[^\s\d]\S{0,7}")
_BRACKETED = re.compile(r"[\[(]((?:[^\[\]()]|\([^()]*\))*)[\])]")
_TIME_FORM = re.compile(r"[ydhmstja]{1,4}(?:\W+[ydhmstja]{1,4}){2,}", re.IGNORECASE)


def mended(text: str) -> str:
    """Text whose UTF-8 was taken for cp1252 and encoded again, once or more, put right; other text as it is."""
    for _ in range(3):
        if "Â" not in text and "Ã" not in text:
            return text
        try:
            text = text.encode("cp1252").decode("utf-8")
        except UnicodeError:
            return text
    return text


def filled(row: RowText) -> int:
    """Number of fields that are not empty."""
    return sum(1 for cell in row.fields or () if cell.strip())


def is_filled(row: RowText) -> bool:
    """Whether a row holds anything."""
    return any(cell and not cell.isspace() for cell in row.fields or ())


def modal_width(rows: Sequence[RowText]) -> int:
    """Number of fields that most records have; of two as frequent the larger."""
    widths = Counter(len(row.fields) for row in rows if row.fields and len(row.fields) > 1 and is_filled(row))
    if not widths:
        return 1
    top = max(widths.values())
    return max(width for width, count in widths.items() if count == top)


def table_width(rows: Sequence[RowText]) -> int:
    """Number of fields of the records: that of most rows, unless only rows of another number bear stamps."""
    modal = modal_width(rows)
    widths = Counter(len(row.fields) for row in rows if row.fields and len(row.fields) > 1 and is_filled(row))
    for width in [modal, *(width for width, _ in widths.most_common() if width != modal)]:
        alike = [row for row in rows if row.fields and len(row.fields) == width and is_filled(row)][-_LOOK_AT:]
        numbers = (EPOCH, TIME_ONLY) if width == modal else ()
        for column in range(min(width, _FIRST_FIELDS)):
            forms = stamp_forms(alike, column)
            found = sum(form in (FIXED, OPEN, *numbers) for form in forms)
            if found * 2 > len(forms) and (width == modal or found > 1):
                return width
    return modal


def stamp_forms(rows: Sequence[RowText], column: int) -> list[int]:
    """How the cells of a column read as stamps."""
    texts = [row.fields[column] if row.fields and len(row.fields) > column else "" for row in rows]
    return [int(form) for form in read_fields(string_array(texts)).form]


def is_stamped(row: RowText) -> bool:
    """Whether one of the first fields is a stamp."""
    if not row.fields:
        return False
    return any(is_stamp(cell) for cell in row.fields[:_FIRST_FIELDS])


def is_stamp(cell: str) -> bool:
    """Whether a text reads as a stamp with a date."""
    return _form(cell) in (FIXED, OPEN)


def _form(cell: str) -> int:
    return int(read_fields(string_array([cell])).form[0])


def told_header(rows: Sequence[RowText], wanted: Sequence[str]) -> int | None:
    """The first row that holds every name that the case file gives."""
    if not wanted:
        return None
    for index, row in enumerate(rows):
        cells = {plain(mended(cell)) for cell in row.fields or ()}
        bare = {re.sub(r" \[col \d+\]$", "", name) for name in wanted}
        if bare <= cells:
            return index
    return None


def seen_header(rows: Sequence[RowText], width: int) -> int | None:
    """The last row of names above the first record."""
    full = [i for i, row in enumerate(rows) if row.fields and is_filled(row)]
    wide = [i for i in full if len(rows[i].fields or ()) in (width, width + 1)]
    if not wide:
        return None
    least = _width_in_use(rows, wide, width)
    named = _named_above_stamps(rows, [i for i in full if least <= len(rows[i].fields or ()) <= width + 1])
    if named is not None:
        return named
    time_names = read_words().columns["time"]
    first = next((i for i in wide if is_stamped(rows[i]) and _goes_on(rows, wide, i)), None)
    if first is None:
        for i in wide:
            if any(plain(cell) in time_names for cell in rows[i].fields or ()):
                return i
        names = [i for i in wide if filled(rows[i]) > 1 and not is_stamped(rows[i])]
        return names[0] if names else None
    for i in range(first - 1, -1, -1):
        row = rows[i]
        if not row.fields or len(row.fields) < max(least - 1, 1):
            continue
        cells = [cell.strip() for cell in row.fields]
        enough = sum(map(bool, cells)) * 2 >= len(cells) or any(plain(c) in time_names for c in cells)
        timed = any(plain(unit_text(cell)) in time_names for cell in cells)  # names may stand in brackets, as units do
        if enough and _has_words(cells) and (timed or not is_units(cells)) and not _is_ruler(cells):
            return i
    return None


def _width_in_use(rows: Sequence[RowText], wide: Sequence[int], width: int) -> int:
    """Number of fields up to the last one that is filled, in most records."""
    used: Counter[int] = Counter()
    for i in wide[-60:]:
        used[max((place for place, cell in enumerate(rows[i].fields or [], start=1) if cell.strip()), default=0)] += 1
    return min(used.most_common(1)[0][0], width)


def _named_above_stamps(rows: Sequence[RowText], wide: Sequence[int]) -> int | None:
    """The row that names a time column with stamps soon below it that go on; of several the one with the most names."""
    time_names = read_words().columns["time"]
    found: list[tuple[int, int, int, int]] = []
    lasting: list[tuple[int, int, int, int]] = []
    for place, i in enumerate(wide):
        for column, cell in enumerate(rows[i].fields or ()):
            if plain(cell) not in time_names:
                continue
            below = next((k for k in range(place + 1, place + 1 + _SOON) if _stamp_at(rows, wide, k, column)), None)
            if below is not None:
                found.append((below, -_count_names(rows[i]), -place, column))
        lasting = [item for item in found if _lasts(rows, wide, item[0], -item[2], item[3])]
        if lasting and place >= min(lasting)[0]:
            break
    if not found:
        return None
    _, _, place, column = min(lasting or found)
    i, following = wide[-place], wide[1 - place]
    return following if _is_second_names(rows[following], rows[i], column) else i


def _stamp_at(rows: Sequence[RowText], wide: Sequence[int], place: int, column: int) -> bool:
    """Whether a cell below a time's name is a stamp: there a number may be one too."""
    fields = (rows[wide[place]].fields or []) if place < len(wide) else []
    return len(fields) > column and _form(fields[column]) in (FIXED, OPEN, EPOCH)


def _lasts(rows: Sequence[RowText], wide: Sequence[int], below: int, place: int, column: int) -> bool:
    """Whether stamps, or the name above them again, go on under the first one: a note above the table has one only."""
    if below + 1 >= len(wide) or _stamp_at(rows, wide, below + 1, column):
        return True
    names, more = rows[wide[place]].fields or [], rows[wide[below + 1]].fields or []
    return len(more) > column and plain(more[column]) == plain(names[column])


def _count_names(row: RowText) -> int:
    """Number of different words in a row that are neither numbers nor stamps."""
    return len({plain(cell) for cell in row.fields or () if re.search(r"[^\W\d_]", cell) and not is_stamp(cell)})


def _is_second_names(row: RowText, above: RowText, time_column: int) -> bool:
    """Whether a row under a header holds more names: none under the time, no units, and names above that lack them."""
    names = [cell.strip() for cell in above.fields or []]
    while names and not names[-1]:
        names.pop()
    if "" not in names and len(set(names)) == len(names):
        return False
    cells = [cell.strip() for cell in row.fields or []]
    empty = len(cells) > time_column and not cells[time_column]
    return empty and sum(map(bool, cells)) > 1 and not is_stamped(row) and not is_units(cells) and not _is_ruler(cells)


def _goes_on(rows: Sequence[RowText], wide: Sequence[int], index: int) -> bool:
    following = [i for i in wide if i > index][:3]
    return all(is_stamped(rows[i]) for i in following[:1]) if following else True


def group_row(rows: Sequence[RowText], header: int, names: Sequence[str]) -> int | None:
    """Row of group names above a header whose names come twice or are empty."""
    if not names or ("" not in names and len(set(names)) == len(names)):
        return None
    time_names = read_words().columns["time"]
    for index in range(header - 1, -1, -1):
        fields = [cell.strip() for cell in rows[index].fields or []]
        if not any(fields):
            continue
        fits = len(fields) >= len(names) and sum(map(bool, fields)) > 1 and not is_stamped(rows[index])
        # a note above the table begins where the time stands; a group has nothing to say about the time
        over_time = any(above for above, name in zip(fields, names, strict=False) if plain(name) in time_names)
        return index if fits and not over_time and len(set(filter(None, fields))) > 1 else None
    return None


def grouped(groups: Sequence[str], names: Sequence[str]) -> list[str]:
    """``group / name``; a group goes on over empty cells after it, a column without a second name keeps the first."""
    out, group = [], ""
    for above, name in zip(groups, names, strict=False):
        group = above or (group if name else "")
        out.append(f"{group} / {name}" if group and name else group or name)
    return out


def _has_words(cells: Sequence[str]) -> bool:
    """Whether a cell holds a letter: a row of numbers names nothing."""
    return any(re.search(r"[^\W\d_]", cell) for cell in cells)


def _is_ruler(cells: Sequence[str]) -> bool:
    full = [cell for cell in cells if cell]
    return bool(full) and all(re.fullmatch(r"[-=_*+ ]+", cell) for cell in full)


# units


def unit_text(cell: str) -> str:
    """The unit that a cell of a units row gives, without its brackets."""
    text = cell.strip()
    while (inner := _BRACKETED.fullmatch(text)) is not None:
        text = inner[1].strip()
    return text


def says_what_it_is(cell: str) -> bool:
    """Whether a cell of a units row stands for the time column: the word for a unit, or the form of its stamps."""
    return plain(cell) in read_words().columns["unit"] or _TIME_FORM.fullmatch(cell) is not None


def is_units(cells: Sequence[str], *, below_names: bool = False) -> bool:
    """Whether the cells of a row are units.

    Parameters
    ----------
    below_names
        The row stands under a header: then some known units among words as short are enough.
    """
    full = [cell for cell in cells if cell and not says_what_it_is(cell)]
    if not full or any(plain(cell) in read_words().columns["time"] for cell in full):
        return False
    known = [
        read_unit(mended(unit_text(cell))) is not None or bool(re.fullmatch(r"[\[(].*[\])]", cell)) for cell in full
    ]
    if sum(known) >= _UNITS_SHARE * len(full):
        return True
    alike = all(is_known or _LIKE_UNIT.fullmatch(cell) for is_known, cell in zip(known, full, strict=True))
    return below_names and alike and sum(known) >= _FEW_UNITS * len(full)


@dataclass(slots=True)
class BelowHeader:
    """What stands between a header and the first record.

    Attributes
    ----------
    after
        Index of the first row below it.
    units
        Column number to the text of the units row, and its physical ``line``.
    passed
        Rows that say something else.
    """

    after: int
    units: dict[int, str] = field(default_factory=dict)
    line: int = 0
    passed: list[RowText] = field(default_factory=list)


def units_below(rows: Sequence[RowText], after: int) -> BelowHeader:
    """Look for a units row under a header; a ruler, a blank line or a row of descriptions may stand before it."""
    found = BelowHeader(after)
    between: list[RowText] = []
    for index in range(after, min(after + _LOOK_BELOW, len(rows))):
        row = rows[index]
        cells = [cell.strip() for cell in row.fields or []]
        if _is_ruler(cells) and not found.units:
            between.append(row)
            if len(between) == index + 1 - found.after and all(_is_ruler_row(item) for item in between):
                found.after, between = index + 1, []
            continue
        if not any(cells):
            between.append(row)
            continue
        if is_stamped(row) or any(re.fullmatch(r"[+-]?[\d.,]+", cell) for cell in cells):
            break
        if found.units or not is_units(cells, below_names=True):
            between.append(row)
            continue
        found.units = {
            place: mended(unit_text(cell)) for place, cell in enumerate(cells) if cell and not says_what_it_is(cell)
        }
        found.line = row.line
        found.passed.extend(item for item in between if is_filled(item))
        found.after, between = index + 1, []
    return found


def _is_ruler_row(row: RowText) -> bool:
    return _is_ruler([cell.strip() for cell in row.fields or []])
