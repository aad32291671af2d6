"""Panels stacked over one common horizontal axis, each with its own names inside, so that no legend is needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from forensics.figures.plate import INK, axis, label, layout

PANEL_PX = 160
_GAP = 0.03
_STROKES = {"solid": "───", "dash": "– – –", "dot": "· · · ·", "dashdot": "– · –", "longdash": "—— ——"}
_DOTS = {"circle": "●", "diamond": "◆", "square": "■", "triangle-up": "▲", "triangle-down": "▼", "x": "✕", "circle-open": "○"}


@dataclass(frozen=True)
class Panel:
    """One panel: title of its axis, its lines, and more keys of its axis.

    A trace whose ``legend name`` is empty is not named inside the panel.
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
    total = sum(panel.height for panel in panels)
    shown = layout(int(total + 80), {"showlegend": False, "annotations": [], "shapes": []})
    shown["margin"] = {"l": 60, "r": 14, "t": 26 if lines_at else 10, "b": 46}
    data: list[dict[str, Any]] = []
    top = 1.0
    for number, panel in enumerate(panels, start=1):
        name = "y" if number == 1 else f"y{number}"
        bottom = max(top - panel.height / total, 0.0)
        gap = _GAP * 160 * len(panels) / total if len(panels) > 1 else 0.0
        shown[f"yaxis{'' if number == 1 else number}"] = axis(
            panel.title, {"domain": [bottom, max(top - gap / 2, bottom)], "anchor": "x", **panel.more}
        )
        data += [trace | {"xaxis": "x", "yaxis": name} for trace in panel.traces]
        shown["annotations"] += names_inside(panel.traces, top - gap / 2)
        top = bottom
    shown["xaxis"] = x_axis | {"anchor": "y" if len(panels) == 1 else f"y{len(panels)}"}
    for at, word in lines_at:
        shown["shapes"].append(upright(at))
        shown["annotations"].append(word_above(at, word))
    return {"data": data, "layout": shown}


def names_inside(traces: Sequence[dict[str, Any]], top: float) -> list[dict[str, Any]]:
    """Names of the traces of a panel, each after a stroke or dot like its own, at the panel's upper left."""
    out: list[dict[str, Any]] = []
    for trace in traces:
        if not trace.get("name") or trace.get("showlegend") is False:
            continue
        line, marker = trace.get("line", {}), trace.get("marker", {})
        lined = "lines" in trace.get("mode", "lines")
        sample = _STROKES.get(line.get("dash", "solid"), "───") if lined else _DOTS.get(marker.get("symbol", "circle"), "●")
        colour = line.get("color") if lined else marker.get("color")
        out.append(
            {
                "text": f"{sample} {trace['name']}",
                "font": {"size": 11, "color": colour if isinstance(colour, str) else INK},
                "bgcolor": "rgba(255,255,255,0.82)",
                "borderpad": 1,
                "showarrow": False,
                "xref": "paper",
                "yref": "paper",
                "x": 0.004,
                "xanchor": "left",
                "y": top,
                "yanchor": "top",
                "yshift": -15 * len(out),
            }
        )
    return out


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
    """A word above an upright line."""
    return {
        "text": label(word),
        "xref": "x",
        "yref": "paper",
        "x": at,
        "y": 1,
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 11},
    }
