"""Panels stacked over one common horizontal axis, each with its own title and names in a strip above it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from forensics.figures.plate import INK, axis, label, layout

PANEL_PX = 150
_STRIP_PX = 24
_TOP_PX, _BOTTOM_PX = 34, 48


@dataclass(frozen=True)
class Panel:
    """One panel: what it shows with its unit, its lines, its height, and more keys of its vertical axis.

    A panel without a title has no strip and names nothing.
    """

    title: str
    traces: Sequence[dict[str, Any]]
    height: float = PANEL_PX
    more: dict[str, Any] = field(default_factory=dict)


def stack(panels: Sequence[Panel], x_axis: dict[str, Any], *, lines_at: Sequence[tuple[float, str]] = ()) -> dict[str, Any]:
    """A figure of stacked panels.

    Parameters
    ----------
    x_axis
        The common axis.
    lines_at
        Positions on it that get an upright line, each with its word.
    """
    total = sum(panel.height + (_STRIP_PX if panel.title else 0) for panel in panels)
    shown = layout(int(total + _TOP_PX + _BOTTOM_PX), {"showlegend": True, "annotations": [], "shapes": []})
    del shown["legend"]
    shown["margin"] = {"l": 60, "r": 14, "t": _TOP_PX, "b": _BOTTOM_PX}
    data: list[dict[str, Any]] = []
    top = 1.0
    for number, panel in enumerate(panels, start=1):
        suffix = "" if number == 1 else str(number)
        strip = _STRIP_PX / total if panel.title else 0.0
        bottom = max(top - strip - panel.height / total, 0.0)
        shown[f"yaxis{suffix}"] = axis("", {"domain": [bottom, max(top - strip, bottom)], "anchor": "x", **panel.more})
        if panel.title:
            shown[f"legend{suffix}"] = _strip(panel.title, min(top - strip, 1.0))
        for trace in panel.traces:
            named = bool(panel.title) and bool(trace.get("name")) and trace.get("showlegend") is not False
            data.append(trace | {"xaxis": "x", "yaxis": f"y{suffix}", "showlegend": named, "legend": f"legend{suffix}"})
        top = bottom
    shown["xaxis"] = x_axis | {"anchor": "y" if len(panels) == 1 else f"y{len(panels)}"}
    for at, word in lines_at:
        shown["shapes"].append(upright(at))
        shown["annotations"].append(word_above(at, word))
    return {"data": data, "layout": shown}


def _strip(title: str, at: float) -> dict[str, Any]:
    """Title and names of a panel on one line above it; it breaks where the page is narrow."""
    return {
        "orientation": "h",
        "x": 0,
        "xanchor": "left",
        "y": at,
        "yanchor": "bottom",
        "bgcolor": "rgba(255,255,255,0)",
        "font": {"size": 11},
        "itemwidth": 34,
        "title": {"text": f"<b>{label(title)}</b>  ", "side": "left", "font": {"size": 11, "color": INK}},
    }


def upright(at: float) -> dict[str, Any]:
    """An upright dotted line over all panels."""
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": at,
        "x1": at,
        "y0": 0,
        "y1": 1,
        "line": {"color": INK, "width": 1, "dash": "dot"},
    }


def word_above(at: float, word: str) -> dict[str, Any]:
    """A word above an upright line, on its left so that it stays clear of the right edge."""
    return {
        "text": label(word),
        "xref": "x",
        "yref": "paper",
        "x": at,
        "xanchor": "right",
        "y": 1,
        "yanchor": "bottom",
        "yshift": 16,
        "showarrow": False,
        "font": {"size": 11},
    }
