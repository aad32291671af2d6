"""The plate: a figure with its caption, its text alternative and the table behind it; and the look that all share.

A figure is a plain mapping of the open JSON form of plotly (``data`` and ``layout``), because building it so takes
a few milliseconds; ``plotly.graph_objects.Figure(plate.figure)`` gives the object for tinkering.

Colours: our own, each with a contrast of 3:1 or more on white (WCAG 2.1, 1.4.11), and each of another lightness, so
that they differ in a grey print and under the common colour blindnesses; dash and symbol differ besides.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forensics.report.words.units import ReportTime

BLACK, BLUE, VERMILION, GREEN = "#000000", "#08386b", "#a13a06", "#2a7f5f"
PURPLE, SAND = "#9a86d6", "#9a8420"
GREY, PALE, INK = "#6b6b6b", "#e4e4e0", "#1a1a1a"
LINES = (BLACK, BLUE, VERMILION, GREEN, PURPLE)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
SYMBOLS = ("circle", "diamond", "square", "triangle-up", "x")
FONT = "system-ui, 'DejaVu Sans', 'Liberation Sans', Arial, sans-serif"


@dataclass(frozen=True)
class Figure:
    """One figure of the report.

    Attributes
    ----------
    key
        Fixed id in the page: letters, digits and ``-``.
    figure
        ``data`` and ``layout``.
    caption
        What it shows, units, zone, thinning; plain text.
    alt
        Text alternative: what a reader who can't see it should know.
    table
        The data behind it.
    note
        Words on thinning, part of the caption.
    still
        The figure as an SVG picture of our own, for viewers of the notebook that do not draw the interactive one.
    """

    key: str
    figure: Mapping[str, Any]
    caption: str
    alt: str
    table: pd.DataFrame = field(default_factory=pd.DataFrame)
    note: str = ""
    still: str = ""


def label(text: str) -> str:
    """Text for a chart label, letter for letter: labels obey ``<b>``, ``<a href>`` and entities unless escaped."""
    clean = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return " ".join(clean.split())


def packed(values: NDArray[Any] | Sequence[float]) -> dict[str, str]:
    """An array in the compact JSON form (typed array, base64)."""
    array = np.ascontiguousarray(values)
    kind = {"f": "f4" if array.dtype.itemsize <= np.dtype("f4").itemsize else "f8", "i": "i4", "u": "i4"}[
        array.dtype.kind
    ]
    data = array.astype("<" + kind)
    return {"dtype": kind, "bdata": base64.b64encode(data.tobytes()).decode("ascii")}


def series_style(number: int, *, width: float = 1.4) -> dict[str, Any]:
    """Line of the n-th series of a panel: colour and dash differ together."""
    return {"color": LINES[number % len(LINES)], "dash": DASHES[number % len(DASHES)], "width": width}


def marker_style(number: int, *, size: int = 7) -> dict[str, Any]:
    """Marker of the n-th series of a panel."""
    return {"color": LINES[number % len(LINES)], "symbol": SYMBOLS[number % len(SYMBOLS)], "size": size}


def axis(title: str, more: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """An axis in the house style; ``more`` are keys of the open JSON form."""
    plain: dict[str, Any] = {
        "title": {"text": label(title), "font": {"size": 12}, "standoff": 6},
        "showline": True,
        "linecolor": GREY,
        "ticks": "outside",
        "tickcolor": GREY,
        "gridcolor": PALE,
        "zeroline": False,
        "tickfont": {"size": 11},
    }
    return plain | dict(more or {})


def time_axis(clock: ReportTime, more: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """A time axis that says zone and offset."""
    return axis(clock.axis_title, {"type": "date", "hoverformat": clock.hover_format, **(more or {})})


def layout(height: int, more: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Layout in the house style."""
    plain: dict[str, Any] = {
        "height": height,
        "autosize": True,
        "template": {},
        "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff",
        "font": {"family": FONT, "size": 12, "color": INK},
        "margin": {"l": 56, "r": 16, "t": 16, "b": 48},
        "hovermode": "closest",
        "hoverlabel": {"font": {"family": FONT, "size": 12}, "namelength": -1},
        "showlegend": False,
        "dragmode": "zoom",
    }
    return plain | dict(more or {})


def empty(key: str, why: str) -> Figure:
    """A plate that says why there is nothing to draw."""
    note = {
        "text": label(why),
        "showarrow": False,
        "xref": "paper",
        "yref": "paper",
        "x": 0.5,
        "y": 0.5,
        "font": {"size": 13},
    }
    hidden = {"visible": False}
    figure = {"data": [], "layout": layout(120, {"xaxis": hidden, "yaxis": hidden, "annotations": [note]})}
    return Figure(key, figure, f"Not drawn: {why}", f"No figure: {why}")
