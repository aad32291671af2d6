"""Display a table, a paragraph or a list."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from forensics.report.binding.markup import LIST_ROWS, render, show_markup, table_markup


def show_table(
    table: pd.DataFrame, caption: str, *, key: str = "", none: str = "", rows: int = LIST_ROWS, folded: bool = False
) -> None:
    """Display a table, or a sentence where it is empty."""
    if len(table):
        show_markup(table_markup(table, caption=caption, key=key, rows=rows, folded=folded))
    elif none:
        show_text(none)


def show_text(text: str) -> None:
    """Display one paragraph."""
    show_markup(render("note.html.j2", {"text": text}))


def show_lines(title: str, lines: Sequence[str]) -> None:
    """Display a titled list, where there is anything in it."""
    if lines:
        show_markup(render("lines.html.j2", {"title": title, "lines": list(lines)}))
