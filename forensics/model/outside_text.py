"""Text that came from outside, made safe for where it goes: a terminal, a page, a spreadsheet.

A name may hold what a terminal obeys, what turns the direction of the words around it, or what a spreadsheet runs.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pandas import DataFrame

# embeddings, overrides, isolates and marks of direction (Unicode Standard Annex 9)
DIRECTION = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
REPLACED = "\ufffd"
# with these: the controls but for tab and line feed, line and paragraph separators, lone surrogates
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff" + "".join(sorted(DIRECTION)) + "]")
_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
_HIDDEN = "\ufeff\u200b\u200c\u200d\u2060"
_ENDS = ("\t", "\r", "\n")
_LINE_END = re.compile("[\t\n]")
# where another separator of lists is set, a sheet begins a cell after each of these
_CELL = re.compile("(^|[;\t\r\n])([^;\t\r\n]*)")


def for_terminal(text: str) -> str:
    """The text with every control and direction character written as its code; line ends and tabs stay."""
    return _OBEYED.sub(lambda found: f"<U+{ord(found[0]):04X}>", text)


def for_line(text: str) -> str:
    """As for a terminal, and in one line: what is said of a name can't be taken for two things said."""
    return _LINE_END.sub(lambda found: f"<U+{ord(found[0]):04X}>", for_terminal(text))


def for_page(text: str) -> str:
    """The text with every control and direction character replaced by one mark; line ends and tabs stay."""
    return _OBEYED.sub(REPLACED, text)


def for_sheet(text: str) -> str:
    """A cell of a CSV file: what a spreadsheet would run as a formula gets an apostrophe before it; numbers stay.

    A sheet that splits at semicolons begins a cell there: what follows one is looked at too.
    """
    safe = _CELL.sub(lambda cell: cell[1] + _guarded(cell[2], first=cell.start() == 0), text)
    return f"'{safe}" if text.startswith(_ENDS) else safe


def from_sheet(text: str) -> str:
    """The text of a cell that was made for a sheet."""
    text = text[1:] if text.startswith("'") and text[1:].startswith(_ENDS) else text
    return _CELL.sub(lambda cell: cell[1] + _bare(cell[2], first=cell.start() == 0), text)


def table_for_sheet(table: DataFrame) -> DataFrame:
    """A table whose cells and headings are safe in a CSV file; numbers stay what they are."""

    def safe(cell: object) -> object:
        text = str(cell)
        made = for_sheet(text)
        return cell if made == text else made

    return table.map(safe).set_axis([safe(name) for name in table.columns], axis="columns")


def _guarded(piece: str, *, first: bool) -> str:
    inner = piece.lstrip().lstrip(_HIDDEN).lstrip()
    if not inner.startswith(_FORMULA):
        return piece
    if not first and inner[:2] in {"+", "-", "+ ", "- "}:  # a dash in a sentence
        return piece
    try:
        float(piece)
    except ValueError:
        return f"'{piece}"
    return piece


def _bare(piece: str, *, first: bool) -> str:
    inner = piece[1:]
    return inner if piece.startswith("'") and _guarded(inner, first=first) == piece else piece
