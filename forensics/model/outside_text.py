"""Text that came from outside, made safe for where it goes: a terminal, a page, a spreadsheet.

A name may hold what a terminal obeys, what turns the direction of the words around it, or what a spreadsheet runs.
"""

from __future__ import annotations

import re

# embeddings, overrides, isolates and marks of direction (Unicode Standard Annex 9)
DIRECTION = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
REPLACED = "\ufffd"
# with these: the controls but for tab and line feed, line and paragraph separators, lone surrogates
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff" + "".join(sorted(DIRECTION)) + "]")
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def for_terminal(text: str) -> str:
    """The text with every control and direction character written as its code; line ends and tabs stay."""
    return _OBEYED.sub(lambda found: f"<U+{ord(found[0]):04X}>", text)


def for_page(text: str) -> str:
    """The text with every control and direction character replaced by one mark; line ends and tabs stay."""
    return _OBEYED.sub(REPLACED, text)


def for_sheet(text: str) -> str:
    """A cell of a CSV file: what a spreadsheet would run as a formula gets an apostrophe before it; numbers stay."""
    if not text.lstrip(" ").startswith(_FORMULA):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text
