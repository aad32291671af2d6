"""Elements of an SVG picture as text: words escaped, numbers to a tenth, so that two runs write the same bytes."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from forensics.model.outside_text import for_page

INK, GREY, PALE, ALERT, BLUE = "#1a1a1a", "#6b6b6b", "#e4e4e0", "#a13a06", "#08386b"
"""Ink, the usual, grid, the unusual, limits: each 3:1 or more on white but the grid (WCAG 2.1, 1.4.11)."""

LETTER = 0.55
"""Mean width of a letter over its height in the page's fonts, an estimate on the wide side."""

Point = tuple[float, float]


def number(value: float) -> str:
    """A coordinate to a tenth of a unit."""
    text = f"{value:.1f}"
    text = text[:-2] if text.endswith(".0") else text
    return "0" if text == "-0" else text


def text_width(text: str, size: float) -> float:
    """Width that a text needs, in units of the picture."""
    return LETTER * size * len(text)


def text(
    at: Point,
    words: str,
    *,
    size: float = 11,
    colour: str = INK,
    anchor: str = "start",
    bold: bool = False,
    halo: bool = False,
) -> str:
    """Words at a point of their base line; a halo keeps them readable over a line."""
    more = ' font-weight="600"' if bold else ""
    more += f' text-anchor="{anchor}"' if anchor != "start" else ""
    more += ' stroke="#fff" stroke-width="3" paint-order="stroke" stroke-linejoin="round"' if halo else ""
    return (
        f'<text x="{number(at[0])}" y="{number(at[1])}" font-size="{number(size)}" fill="{colour}"{more}>'
        f"{escape(for_page(words), quote=False)}</text>"
    )


def line(start: Point, end: Point, *, colour: str = GREY, width: float = 1.0, dash: str = "") -> str:
    """A straight line."""
    more = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{number(start[0])}" y1="{number(start[1])}" x2="{number(end[0])}" y2="{number(end[1])}" '
        f'stroke="{colour}" stroke-width="{number(width)}"{more}/>'
    )


def path(runs: Sequence[Sequence[Point]], *, colour: str, width: float) -> str:
    """Lines through points, one for each unbroken run."""
    parts = []
    for run in runs:
        if len(run) == 1:
            parts.append(f"M{number(run[0][0])} {number(run[0][1])}h0.1")
        elif run:
            parts.append("M" + "L".join(f"{number(x)} {number(y)}" for x, y in run))
    return (
        f'<path d="{"".join(parts)}" fill="none" stroke="{colour}" stroke-width="{number(width)}" '
        'stroke-linejoin="round" stroke-linecap="round"/>'
    )


def dot(at: Point, *, colour: str, diamond: bool = False, size: float = 3.2) -> str:
    """A mark: a circle, or a diamond where shape must tell what colour tells."""
    x, y = at
    if not diamond:
        return f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(size)}" fill="{colour}"/>'
    s = size * 1.45
    points = " ".join(f"{number(a)},{number(b)}" for a, b in ((x, y - s), (x + s, y), (x, y + s), (x - s, y)))
    return f'<polygon points="{points}" fill="{colour}"/>'


def box(at: Point, size: Point, *, fill: str, edge: str = "none") -> str:
    """A rectangle."""
    return (
        f'<rect x="{number(at[0])}" y="{number(at[1])}" width="{number(size[0])}" height="{number(size[1])}" '
        f'fill="{fill}" stroke="{edge}"/>'
    )


def picture(size: Point, parts: Sequence[str], *, title: str, about: str, key: str) -> str:
    """The whole picture: scales with its place, and says to a reader who can't see it what it shows."""
    width, height = number(size[0]), number(size[1])
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-labelledby="{key}-t {key}-d" font-family="system-ui, \'DejaVu Sans\', Arial, sans-serif">'
        f'<title id="{key}-t">{escape(for_page(title), quote=False)}</title>'
        f'<desc id="{key}-d">{escape(for_page(about), quote=False)}</desc>{"".join(parts)}</svg>'
    )
