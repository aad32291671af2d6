"""What a sheet of a workbook holds: which sheet, where the header stands, which date system its day numbers have.

Cells are read by ``python_calamine``. Around it: archives that unpack to far more than they weigh are refused before
that library sees them, names of two header rows follow the merged ranges, and plain numbers in a column of times are
dates of the date system that the workbook itself states (ECMA-376 part 1, 18.17.4.1: 1900 and 1904 date bases).
"""

from __future__ import annotations

import gc
import itertools
import re
import zipfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from forensics.errors import SheetQuestion, Unsafe
from forensics.intake.table.headers import says_what_it_is, unit_text
from forensics.intake.typed.cells import CellTable, unique_columns
from forensics.intake.typed.percent_cells import in_per_cent
from forensics.intake.typed.sheet_header import (
    LOOK_ROWS,
    MAX_TEXT,
    Merge,
    Row,
    filled_in,
    header_rows,
    is_units_row,
    leaves_of,
    line_of,
    names_of,
    text_in,
)
from forensics.intake.typed.workbook_cells import cells_of, serial_dates, time_places
from forensics.intake.typed.workbook_safety import Guarded, guard
from forensics.model.paths import open_regular

if TYPE_CHECKING:
    import python_calamine

SUFFIXES = frozenset({".xlsx", ".xlsm", ".ods"})
REFUSED_SUFFIXES = frozenset({".xls", ".xlsb"})


def read_sheet(
    file: Path, *, sheet: str = "", wanted: Iterable[str] = (), times: Sequence[str] = (), system: str = ""
) -> CellTable:
    """Read one sheet of a workbook.

    Parameters
    ----------
    sheet
        Name of the sheet; empty: the only one that holds a table.
    wanted
        Column names that the case binds: the row that holds them is the header.
    times
        Names of the time columns, where the case gives them: their plain numbers are day numbers.
    system
        ``days-1900`` or ``days-1904`` where the case gives one: else the workbook's own.

    Raises
    ------
    SheetQuestion
        The file can't be read, is refused, or which sheet or header is meant is open.
    """
    guarded = _guarded(file)
    # A time column may be given by its letter, which is no name to look for: "A" would find a cell with the unit.
    named = [*wanted, *(name for name in times if not re.fullmatch(r"[A-Z]{1,3}", name))]
    collecting = gc.isenabled()
    gc.disable()  # a sheet makes millions of objects and no cycles: collecting between them costs an eighth of the time
    try:
        book = _Book(file)
        chosen, notes, detections = _choose_sheet(book, sheet, named)
        page = book.page(chosen)
        merges: list[Merge] = list(page.merged_cell_ranges or ()) or guarded.merged_ranges(chosen)
        rows: list[Row] = _native(lambda: page.to_python(skip_empty_area=False))
        for (row, column), text in guarded.errors(chosen).items():
            if row < len(rows) and column < len(rows[row]) and rows[row][column] == "":
                rows[row][column] = text
        hidden = guarded.hidden_rows(chosen)
        if hidden:
            notes.append(f"sheet '{chosen}' has {hidden} hidden rows: they are read like the others")
        table = _table(rows, merges, named, times, system or guarded.date_system, notes=notes, detections=detections)
        return _in_per_cent(table, guarded.percent_rows(chosen))
    finally:
        if collecting:
            gc.enable()


def sheet_names(file: Path) -> tuple[str, ...]:
    """Names of the visible sheets of a workbook."""
    _guarded(file)
    return tuple(name for name, visible in _Book(file).sheets() if visible)


def _guarded(file: Path) -> Guarded:
    try:
        return guard(file)
    except Unsafe as fault:
        raise SheetQuestion(str(fault), "Export the part around the failure as text.") from None


def _native(call: Callable[[], Any]) -> Any:
    """Run a call of the reader; a panic of its native code is an unreadable workbook like any other."""
    import python_calamine

    try:
        return call()
    except python_calamine.PasswordError:
        raise SheetQuestion("the workbook is protected by a password", "Save it without password.") from None
    except (python_calamine.CalamineError, OSError, ValueError, zipfile.BadZipFile) as fault:
        raise SheetQuestion(f"the workbook can't be read ({str(fault)[:120]})", "Export it again.") from None
    except BaseException as fault:
        if type(fault).__name__ != "PanicException":
            raise
        raise SheetQuestion("the workbook can't be read (damaged)", "Export it again.") from None


def _opened(file: Path) -> Any:
    import python_calamine

    with open_regular(file) as stream:  # by the gate, not by its name: it is the file that was looked at
        return python_calamine.CalamineWorkbook.from_filelike(stream)


class _Book:
    """An open workbook; each sheet is parsed once."""

    def __init__(self, file: Path) -> None:

        self._book: python_calamine.CalamineWorkbook = _native(lambda: _opened(file))
        self._pages: dict[str, python_calamine.CalamineSheet] = {}

    def sheets(self) -> list[tuple[str, bool]]:
        """(name, visible) of every sheet of cells."""
        import python_calamine

        return [
            (meta.name, meta.visible == python_calamine.SheetVisibleEnum.Visible)
            for meta in self._book.sheets_metadata
            if meta.typ == python_calamine.SheetTypeEnum.WorkSheet
        ]

    def page(self, name: str) -> python_calamine.CalamineSheet:
        """A sheet by its name."""
        if name not in self._pages:
            self._pages[name] = _native(lambda: self._book.get_sheet_by_name(name))
        return self._pages[name]


def _choose_sheet(book: _Book, name: str, wanted: list[str]) -> tuple[str, list[str], list[tuple[str, str, str]]]:
    sheets = book.sheets()
    named = ", ".join(f"'{sheet}'" for sheet, _ in sheets)
    if name:
        match = [sheet for sheet, _ in sheets if sheet == name]
        match = match or [sheet for sheet, _ in sheets if sheet.strip().casefold() == name.strip().casefold()]
        if len(match) != 1:
            raise SheetQuestion(f"the workbook has no sheet '{name}'", f"Its sheets: {named}.")
        hidden = [f"sheet '{match[0]}' is hidden"] if (match[0], False) in sheets else []
        return match[0], hidden, []
    if len(sheets) == 1 and sheets[0][1]:
        return sheets[0][0], [], [("sheet", sheets[0][0], "the only sheet")]
    candidates: list[tuple[int, str]] = []
    for sheet, visible in sheets:
        if visible:
            score = _table_score(_head(book, sheet), wanted)
            if score:
                candidates.append((score, sheet))
    hidden = [f"hidden sheet '{sheet}' was not looked at" for sheet, visible in sheets if not visible]
    if not candidates:
        raise SheetQuestion("no visible sheet of the workbook holds a table", f"Give sheet; its sheets: {named}.")
    best = max(score for score, _ in candidates)
    leading = [sheet for score, sheet in candidates if score == best]
    if len(leading) > 1:
        options = " or ".join(f'sheet = "{sheet}"' for sheet in leading)
        raise SheetQuestion("several sheets of the workbook hold a table", f"Add {options} to this source.")
    evidence = (
        "the only visible sheet that holds a table" if len(candidates) == 1 else "it holds the columns of the case"
    )
    return leading[0], hidden, [("sheet", leading[0], evidence)]


def _head(book: _Book, sheet: str) -> list[Row]:
    head: list[Row] = _native(lambda: book.page(sheet).to_python(nrows=LOOK_ROWS))
    return head


def _table_score(head: list[Row], wanted: list[str]) -> int:
    """0 for no table; 1 for a table; more where the names that the case binds stand in a row."""
    leaves = leaves_of(wanted)
    found = max((len(leaves & {text_in(cell) for cell in row}) for row in head), default=0)
    if found:
        return 1 + found
    data = [row for row in head if sum(not isinstance(cell, str) for cell in row) >= 1 and filled_in(row) > 1]
    return 1 if len(data) > 1 else 0


# --- columns ------------------------------------------------------------------------------------------------------


def _records(rows: list[Row], header: list[str], start: int) -> tuple[NDArray[np.int64], list[tuple[int, str, str]]]:
    """Positions of the rows that hold a record, and the others with their reason."""
    aside: list[tuple[int, str, str]] = []
    drop: set[int] = set()
    for position in range(start, len(rows)):
        first = rows[position][0]
        if first.__class__ is not str:
            continue
        row = rows[position]
        if first == "" and not any(cell != "" for cell in row):
            aside.append((position + 1, "blank line", ""))
        elif first and [text_in(cell) for cell in row] == header:
            aside.append((position + 1, "repeated header", " ".join(header)[:MAX_TEXT]))
        else:
            continue
        drop.add(position)
    end = len(rows)
    while end - 1 in drop and aside[-1] == (end, "blank line", ""):
        aside.pop()
        end -= 1
    kept = np.arange(start, end, dtype=np.int64)
    return kept[~np.isin(kept, list(drop))] if drop else kept, aside


def _in_per_cent(table: CellTable, shown: dict[int, NDArray[np.int64]]) -> CellTable:
    """A table with the cells that are shown in per cent as people read them, and that unit for their columns."""
    columns, units = list(table.columns), list(table.units or [""] * len(table.columns))
    detections, notes = list(table.detections), list(table.notes)
    for place, cells in enumerate(columns):
        changed = in_per_cent(cells, table.row, shown, place)
        if changed is None or changed.number is None or cells.number is None:
            continue
        count = int((changed.number != cells.number)[~np.isnan(cells.number)].sum())
        columns[place] = changed
        units[place] = units[place] or "%"
        detections.append(("per cent", table.names[place], f"format of {len(shown[place])} cells"))
        notes.append(f"column '{table.names[place]}': {count} cells are shown in per cent and read as shown")
    if len(detections) == len(table.detections):
        return table
    return replace(table, columns=tuple(columns), units=tuple(units), detections=tuple(detections), notes=tuple(notes))


def _table(
    rows: list[Row],
    merges: list[Merge],
    wanted: list[str],
    times: Sequence[str],
    system: str,
    notes: list[str],
    detections: list[tuple[str, str, str]],
) -> CellTable:
    if not any(filled_in(row) for row in rows[:LOOK_ROWS]):
        raise SheetQuestion("the sheet is empty", "Give the sheet that holds the trend.")
    first, last = header_rows(rows, merges, wanted)
    raw_names = names_of(rows, merges, first, last)
    names = unique_columns(raw_names)
    start = last + 1
    units: tuple[str, ...] = ()
    aside: list[tuple[int, str, str]] = []
    if start < len(rows) and is_units_row(rows[start]):
        units = tuple("" if says_what_it_is(text) else unit_text(text) for text in map(text_in, rows[start]))
        aside.append((start + 1, "units row", " ".join(unit for unit in units if unit)[:MAX_TEXT]))
        start += 1
    kept, dropped = _records(rows, [text_in(cell) for cell in rows[last]], start)
    if not len(kept):
        raise SheetQuestion("the sheet has a header but no rows below it", "Export the trend again.", row=last + 1)
    detections.append(
        ("header row", str(last + 1), "names of the case" if wanted else "row of names above the readings")
    )
    width = len(names)
    chosen = rows[start : start + len(kept)] if not dropped else [rows[position] for position in kept]
    flat = list(itertools.chain.from_iterable(chosen))
    columns = [cells_of(flat[place::width]) for place in range(width)]
    for place in time_places(names, columns, times):
        columns[place], said = serial_dates(columns[place], system)
        if said:
            detections.append(("date system", system, f"column '{names[place]}': {said}"))
            notes.append(f"column '{names[place]}': {said}")
    return CellTable(
        names=names,
        columns=tuple(columns),
        row=kept + 1,
        units=units,
        set_aside=tuple(sorted([*aside, *dropped])),
        header_row=last + 1,
        preamble=tuple((at, line_of(row)) for at, row in enumerate(rows[:first], start=1) if filled_in(row)),
        date_system=system,
        notes=tuple(notes),
        detections=tuple(detections),
    )
