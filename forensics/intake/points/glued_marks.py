"""What stands glued behind numbers: a unit only where every cell carries one, else a mark whose meaning is asked for.

One cell never sets the unit of a column: ``0.0 F`` among degrees Celsius is a fault, not Fahrenheit. Until a mark is
explained its cells are no readings: what is missing never shows health, a false zero may.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Mark, Point
from forensics.intake.lexicon import plain, read_words
from forensics.intake.table.values import Numbers, Reasons
from forensics.model.row_numbers import said_row
from forensics.model.units import Unit, fits, read_unit

_ALL = 0.9  # a unit that so many readings carry is that of the column, also of the bare ones among them
_MOST = 0.5  # where more readings than this carry a mark that nobody explains, the point waits for the answer


@dataclass(frozen=True, slots=True)
class MarkedColumn:
    """A column of numbers with marks: its point, its cells, the reasons of missing ones, the row of each cell."""

    point: Point
    numbers: Numbers
    reasons: Reasons
    rows: NDArray[np.int64]


@dataclass(slots=True)
class Settled:
    """A column once its marks are settled.

    Attributes
    ----------
    unit
        Unit that the cells carry; empty where they carry none.
    own_units
        Where each cell carries a unit of its own: that of each, shape (n,).
    uncertain
        Cells that a mark calls uncertain; None where there are none.
    question
        What to ask and the remedy, with its row; empty where nothing is open.
    lost
        Whether the point waits for the answer.
    """

    values: NDArray[np.float64]
    reason: NDArray[np.uint16]
    unit: str = ""
    own_units: NDArray[np.object_] | None = None
    uncertain: NDArray[np.bool_] | None = None
    question: tuple[str, str, int] | tuple[()] = ()
    lost: bool = False
    notes: list[str] = field(default_factory=list)


def settle_marks(column: MarkedColumn, told: Sequence[Mark], said: Sequence[tuple[str, str]]) -> Settled:
    """Decide what the marks of a column mean.

    Parameters
    ----------
    told
        Marks that the case file explains.
    said
        Units that the case file, the header or the units row give, with the place of each.
    """
    numbers = column.numbers
    out = Settled(numbers.values, numbers.reason)
    if numbers.marked is None or not numbers.marked.any():
        return out
    out.values, out.reason = numbers.values.copy(), numbers.reason.copy()
    meanings = {plain(mark.text): mark.means for mark in told}
    marked, left = numbers.marked, {}
    for code, mark in enumerate(numbers.marks, start=1):
        cells = marked == code
        means = meanings.get(plain(mark)) or _meaning(mark)
        if means == "no reading":
            _take_out(column, out, cells, mark)
        elif means == "uncertain":
            out.uncertain = cells if out.uncertain is None else out.uncertain | cells
        elif not means and cells.any():
            left[code] = mark
    _units_or_marks(column, out, left, said)
    return out


def _meaning(mark: str) -> str:
    """What a mark means by itself: the words of loggers for good and for no reading."""
    words = read_words()
    word = plain(mark.strip("()[]{} "))
    if word in words.quality_good:
        return "good"
    telling = word.strip("?") == "" or any(sign.isalpha() for sign in word)  # a star may say anything
    return "no reading" if word and telling and word in words.missing else ""


def _take_out(column: MarkedColumn, out: Settled, cells: NDArray[np.bool_], mark: str) -> None:
    out.values[cells] = np.nan
    out.reason[cells] = column.reasons.code(f"marked '{mark}'")


def _units_or_marks(column: MarkedColumn, out: Settled, left: dict[int, str], said: Sequence[tuple[str, str]]) -> None:
    marked = column.numbers.marked
    if marked is None or not left:
        return
    readings = np.isfinite(out.values)
    units = {code: unit for code, mark in left.items() if (unit := _unit_of(mark, column.point)) is not None}
    carried = readings & np.isin(marked, list(units))
    share = float(carried.sum()) / max(int(readings.sum()), 1)
    if units and len({_size(unit) for unit in units.values()}) == 1 and share >= _ALL:
        out.unit = next(left[code] for code in units)
        left = {code: mark for code, mark in left.items() if code not in units}
    elif len({unit.datum for unit in units.values()}) == 1 and bool(carried.sum() == readings.sum()):
        own = np.full(len(out.values), None, object)
        for code, unit in units.items():
            own[marked == code] = unit
        out.own_units, out.unit = own, _first_told(said, column.point) or left[next(iter(units))]
        names = ", ".join(left[code] for code in units)
        out.notes.append(f"{column.point.column}: each cell carries its own unit ({names})")
        return
    else:
        known = read_unit(_first_told(said, column.point))
        same = [code for code, unit in units.items() if known is not None and _size(unit) == _size(known)]
        left = {code: mark for code, mark in left.items() if code not in same}
    if left:
        _ask(column, out, left, readings)


def _ask(column: MarkedColumn, out: Settled, left: dict[int, str], readings: NDArray[np.bool_]) -> None:
    marked = column.numbers.marked
    if marked is None:
        return
    cells = np.isin(marked, list(left)) & readings
    count = int(cells.sum())
    if not count:
        return
    first = int(np.flatnonzero(cells)[0])
    mark = column.numbers.marks[int(marked[first]) - 1]
    out.lost = count > _MOST * int(readings.sum())
    names = " and ".join(f"'{name}'" for name in list(left.values())[:3])
    shown = f"{out.values[first]:g}{'' if mark[:1] in '*!?#' else ' '}{mark}"
    then = "the point waits for the answer" if out.lost else "they are taken as no readings until it is said"
    out.question = (
        f"{count} of {int(readings.sum())} readings carry {names}, such as '{shown}' on line "
        f"{said_row(int(column.rows[first]))}, and nothing says what it means; {then}.",
        f'Add [[source.mark]] with text = "{mark}" and means = "no reading", "uncertain" or "good"'
        + (", or give the unit of the column." if _unit_of(mark, column.point) is not None else "."),
        int(column.rows[first]),
    )
    for code, name in left.items():
        _take_out(column, out, (marked == code) & readings, name)


def _unit_of(mark: str, point: Point) -> Unit | None:
    unit = read_unit(mark)
    return unit if unit is not None and fits(unit, point.role) else None


def _size(unit: Unit) -> tuple[float, float, bool]:
    return unit.factor, unit.offset, unit.of_rated_amps


def _first_told(said: Sequence[tuple[str, str]], point: Point) -> str:
    return next((text for text, _ in said if _unit_of(text, point) is not None), "")


def in_one_unit(values: NDArray[np.float64], own: NDArray[np.object_] | None, unit: Unit) -> NDArray[np.float64]:
    """Values of cells that carry units of their own, in the unit of their column; both count from the same zero."""
    if own is None:
        return values
    out = values.copy()
    for other in {one for one in own if one is not None}:
        cells = np.array([one is other or one == other for one in own])
        out[cells] = (values[cells] * other.factor + other.offset - unit.offset) / unit.factor
    return out
