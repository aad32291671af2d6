"""Text that came from outside, made safe for where it goes: a terminal, a page, a spreadsheet.

A name may hold what a terminal obeys, what turns the direction of the words around it, or what a spreadsheet runs.
"""

from __future__ import annotations

import unicodedata

# embeddings, overrides, isolates and marks of direction (Unicode Standard Annex 9)
DIRECTION = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
REPLACED = "\ufffd"
_KEPT = "\n\t"
_UNFIT = ("Cc", "Cs", "Zl", "Zp")
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def for_terminal(text: str) -> str:
    """The text with every control and direction character written as its code; line ends and tabs stay."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(_code(sign) if _obeyed(sign) else sign for sign in text)


def for_page(text: str) -> str:
    """The text with every control and direction character replaced by one mark; line ends and tabs stay."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(REPLACED if _obeyed(sign) else sign for sign in text)


def for_sheet(text: str) -> str:
    """A cell of a CSV file: what a spreadsheet would run as a formula gets an apostrophe before it; numbers stay."""
    if not text.lstrip(" ").startswith(_FORMULA):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def _obeyed(sign: str) -> bool:
    return sign not in _KEPT and (sign in DIRECTION or unicodedata.category(sign) in _UNFIT)


def _code(sign: str) -> str:
    return f"<U+{ord(sign):04X}>"
