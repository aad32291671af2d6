"""Which cells of a sheet are shown in per cent: their number is a part of one, people read a hundred times it.

Source: ECMA-376 part 1, 18.8.30 (number formats 9 and 10, and custom codes with a sign of per cent), 18.3.1.4 (cells).
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from forensics.intake.typed.cells import Cells

_BUILT_IN = frozenset({9, 10})
_FORMAT = re.compile(rb"<(?:\w+:)?numFmt\s[^>]*>")
_FORMATS_OF_CELLS = re.compile(rb"<(?:\w+:)?cellXfs\b[^>]*>(.*?)</(?:\w+:)?cellXfs>", re.DOTALL)
_ONE_FORMAT = re.compile(rb"<(?:\w+:)?xf\s[^>]*>")
_ID = re.compile(rb"""numFmtId\s*=\s*["'](\d{1,9})["']""")
_CODE = re.compile(rb"""formatCode\s*=\s*(?:"([^"]*)"|'([^']*)')""")
_CELL_OF_STYLE = rb"""<(?:\w+:)?c\b(?=[^>]*\bs\s*=\s*["']%d["'])[^>]*\br\s*=\s*["']([A-Z]{1,3})(\d{1,7})["']"""
_QUOTED = re.compile(rb"&quot;.*?&quot;|\\.")
_DIGITS = 12  # what a part of one times a hundred is rounded to: its own digits, not those of binary fractions


def percent_styles(styles: bytes) -> frozenset[int]:
    """Numbers of the cell styles that show per cent."""
    shown = set(_BUILT_IN)
    for tag in _FORMAT.findall(styles):
        number, code = _ID.search(tag), _CODE.search(tag)
        if number is not None and code is not None and b"%" in _QUOTED.sub(b"", code[1] or code[2] or b""):
            shown.add(int(number[1]))
    block = _FORMATS_OF_CELLS.search(styles)
    if block is None:
        return frozenset()
    found = [_ID.search(tag) for tag in _ONE_FORMAT.findall(block[1])]
    return frozenset(place for place, number in enumerate(found) if number is not None and int(number[1]) in shown)


def percent_rows(sheet: bytes, styles: frozenset[int]) -> dict[int, NDArray[np.int64]]:
    """Rows (from 1) of the cells in per cent, by column (from 0)."""
    found: dict[int, list[int]] = {}
    for style in sorted(styles):
        for match in re.finditer(_CELL_OF_STYLE % style, sheet):
            column = 0
            for letter in match[1]:
                column = column * 26 + letter - 64
            found.setdefault(column - 1, []).append(int(match[2]))
    return {column: np.array(rows, np.int64) for column, rows in found.items()}


def in_per_cent(
    cells: Cells, rows: NDArray[np.int64], shown: Mapping[int, NDArray[np.int64]], place: int
) -> Cells | None:
    """A column with its cells in per cent as people read them; None where it has none."""
    if cells.number is None or place not in shown:
        return None
    chosen = np.isin(rows, shown[place]) & ~np.isnan(cells.number)
    if not chosen.any():
        return None
    number = cells.number.copy()
    number[chosen] = [float(f"{value * 100:.{_DIGITS}g}") for value in number[chosen]]
    return Cells(number, cells.wall_ns, cells.text, cells.words, cells.instant, cells.resolution_ns)
