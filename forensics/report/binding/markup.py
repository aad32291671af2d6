"""Fragments of the page: every text goes through an autoescaping template, and every fragment knows its place.

A fragment is a displayed output whose metadata carry :data:`MARK`. The page is bound from marked outputs only, so
that markup which some other cell displays can never enter the report as markup.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from typing import TYPE_CHECKING, Any

import pandas as pd

from forensics.model.outside_text import for_page
from forensics.report.figures.figure import Figure

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

MARK = "screw-forensics"
PLOTLY_MIME = "application/vnd.plotly.v1+json"
SVG_MIME = "image/svg+xml"
PROBLEMS_MIME = "application/vnd.screw-forensics.problems+json"
LIST_ROWS = 200
PLATE_ROWS = 40
WIDE_COLUMNS = 9
LONG_WORD = 24


@cache
def environment() -> Environment:
    """The template environment: autoescape is on for every template."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    env = Environment(
        loader=PackageLoader("forensics.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_readable,
    )
    env.filters["slug"] = slug
    env.filters["breakable"] = breakable
    env.filters["long"] = long_words
    env.filters["figures"] = figures
    return env


def _readable(value: object) -> object:
    """What a template writes: names from outside do not turn the direction of the text around them."""
    return for_page(value) if type(value) is str else value


def slug(text: str) -> str:
    """An id for an anchor: letters, digits, ``-``, ``_``, ``.`` stay, all else becomes ``-``."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "-" for c in text.strip().lower()) or "x"


def breakable(text: str) -> Markup:
    """An id that may be broken after its dots and underscores, and nowhere else."""
    from markupsafe import Markup, escape

    return Markup(re.sub(r"([._])", r"\1<wbr>", str(escape(for_page(text)))))


def long_words(text: str) -> Markup:
    """The mark of a cell with a word so long that it may be broken anywhere; all other words stay whole."""
    from markupsafe import Markup

    return Markup(' class="long"' if any(len(word) > LONG_WORD for word in text.split()) else "")


_PLAIN_NUMBER = re.compile(r"([+-]?)(\d+)(\.\d+)?( %)?")


def figures(text: str) -> str:
    """A cell as people read it: a number gets separated thousands and a true minus; other text stays as it is."""
    found = _PLAIN_NUMBER.fullmatch(text)
    if found is None:
        return text
    sign, whole, rest, unit = found.groups(default="")
    return f"{sign.replace('-', '−')}{int(whole):,}{rest}{unit}"


def render(template: str, values: Mapping[str, Any]) -> str:
    """Fill one template."""
    return environment().get_template(template).render(dict(values))


def table_markup(  # noqa: PLR0913 - keyword options of one table
    table: pd.DataFrame,
    *,
    caption: str = "",
    key: str = "",
    rows: int = LIST_ROWS,
    anchors: str = "",
    links: Collection[str] = (),
    known: Collection[str] = (),
    small: bool = False,
    folded: bool = False,
) -> str:
    """A table for people; beyond ``rows`` it says how many more there are.

    Parameters
    ----------
    anchors
        Column whose cells become anchors ``f-…``.
    small
        Printed in small type: for long or wide tables.
    folded
        Shown when it is opened, and not printed: for what few readers need.
    links, known
        Columns whose words (parted by commas) link to such anchors, and the words that have one.
    """
    return render(
        "table.html.j2",
        {
            "columns": [str(c) for c in table.columns],
            "rows": [[str(cell) for cell in row] for row in table.head(rows).itertuples(index=False)],
            "more": max(0, len(table) - rows),
            "caption": caption,
            "key": key,
            "anchors": anchors,
            "links": list(links),
            "known": set(known),
            "small": small or len(table.columns) > WIDE_COLUMNS,
            "folded": folded,
        },
    )


_COLLECTED: ContextVar[list[dict[str, Any]] | None] = ContextVar("collected", default=None)


@contextmanager
def collected() -> Iterator[list[dict[str, Any]]]:
    """Gather what is displayed inside, as the outputs of a cell, in place of displaying it."""
    outputs: list[dict[str, Any]] = []
    token = _COLLECTED.set(outputs)
    try:
        yield outputs
    finally:
        _COLLECTED.reset(token)


def _emit(data: dict[str, Any], metadata: dict[str, Any]) -> None:
    outputs = _COLLECTED.get()
    if outputs is not None:
        outputs.append({"output_type": "display_data", "data": data, "metadata": metadata})
        return
    from IPython.display import display

    display(data, raw=True, metadata=metadata)  # type: ignore[no-untyped-call]


def show_markup(markup: str, *, role: str = "block") -> None:
    """Display a fragment that a template made."""
    data = {"text/html": f'<div class="sheet tex2jax_ignore">{markup}</div>', "text/plain": "(a part of the sheet)"}
    _emit(data, {MARK: {"role": role, "markup": role == "block" or role == "caption"}})


def _plain_markdown(text: str) -> str:
    """Text in which no sign is read as markdown or markup."""
    return "".join(f"\\{c}" if c in "\\`*_{}[]<>()#+-!|$&~" else c for c in text)


def show_plate(plate: Figure) -> None:
    """Display a figure, then its caption and the table behind it."""
    about = {"role": "figure", "key": plate.key, "alt": plate.alt}
    data: dict[str, Any] = {PLOTLY_MIME: dict(plate.figure), "text/plain": plate.alt}
    if plate.still:
        data[SVG_MIME] = plate.still
    else:
        data["text/markdown"] = f"*This figure is drawn in report.html:* {_plain_markdown(plate.caption)}"
    _emit(data, {MARK: about})
    caption = render(
        "caption.html.j2",
        {
            "plate": plate,
            "table": table_markup(
                plate.table,
                caption=f"Data behind {plate.key.replace('-', ' ')}",
                key=f"table-{plate.key}",
                rows=PLATE_ROWS,
            )
            if len(plate.table)
            else "",
        },
    )
    show_markup(caption, role="caption")
