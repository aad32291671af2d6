"""Panels stacked over one common horizontal axis, each with its own title and names in a strip above it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from forensics.report.figures.figure import INK, axis, label, layout

PANEL_PX = 150
_STRIP_PX = 24
_LINE_PX = 15
_STRIP_LETTERS = 150
_DOTTED_PX = 4
PART = "\u2003"
_STROKES = {"solid": "───", "dash": "– – –", "dot": "· · · ·", "dashdot": "– · –", "longdash": "—— ——"}
_DOTS = {
    "circle": "●",
    "diamond": "◆",
    "square": "■",
    "triangle-up": "▲",
    "triangle-down": "▼",
    "triangle-left": "◀",
    "triangle-right": "▶",
    "x": "✕",
    "x-thin-open": "✕",
    "circle-open": "○",
    "diamond-open": "◇",
    "square-open": "□",
    "triangle-up-open": "△",
    "triangle-down-open": "▽",
}
_TOP_PX, _BOTTOM_PX = 34, 58
_LEFT_SHARE = 0.5


@dataclass(frozen=True)
class Panel:
    """One panel: what it shows with its unit, its lines, its height, and more keys of its vertical axis.

    A panel without a title has no strip and names nothing.
    """

    title: str
    traces: Sequence[dict[str, Any]]
    height: float = PANEL_PX
    more: dict[str, Any] = field(default_factory=dict)


def stack(
    panels: Sequence[Panel], x_axis: dict[str, Any], *, lines_at: Sequence[tuple[float, str]] = ()
) -> dict[str, Any]:
    """A figure of stacked panels.

    Parameters
    ----------
    x_axis
        The common axis.
    lines_at
        Positions on it that get an upright line, each with its word.

    Notes
    -----
    Names stand in lines of text above each panel, not in a legend, and margins are fixed: legends and automatic
    margins take the browser as long as all the rest. The page wraps these lines to the width that it has, and moves
    the panels apart for them: a strip stands at the upper end of its panel's domain.
    """
    strips = [_strip_px(panel) for panel in panels]
    total = sum(panel.height for panel in panels) + sum(strips)
    shown = layout(int(total + _TOP_PX + _BOTTOM_PX), {"annotations": [], "shapes": []})
    categories = [str(name) for panel in panels for name in panel.more.get("categoryarray", ())]
    shown["margin"] = {"l": left_margin(categories), "r": 14, "t": _TOP_PX, "b": _BOTTOM_PX}
    data: list[dict[str, Any]] = []
    top = 1.0
    for number, panel in enumerate(panels, start=1):
        suffix = "" if number == 1 else str(number)
        strip = strips[number - 1] / total
        bottom = max(top - strip - panel.height / total, 0.0)
        shown[f"yaxis{suffix}"] = axis("", {"domain": [bottom, max(top - strip, bottom)], "anchor": "x", **panel.more})
        if panel.title:
            shown["annotations"].append(strip_above(panel.title, panel.traces, min(top - strip, 1.0)))
        data += [trace | {"xaxis": "x", "yaxis": f"y{suffix}"} for trace in panel.traces]
        top = bottom
    shown["xaxis"] = x_axis | {"anchor": "y" if len(panels) == 1 else f"y{len(panels)}"}
    for at, word in lines_at:
        shown["shapes"].append(upright(at))
        shown["annotations"].append(word_above(at, word, on_right=_on_left_half(at, x_axis)))
    return {"data": data, "layout": shown}


def left_margin(categories: Sequence[str], *, least: int = 60, most: int = 300, letter_px: float = 6.3) -> int:
    """Room for the words of a category axis, px."""
    return int(min(max([least, *(18 + letter_px * len(name) for name in categories)]), most))


def strip_above(title: str, traces: Sequence[dict[str, Any]], at: float) -> dict[str, Any]:
    """Title of a panel and the names of its traces, each after a sample of its line or mark, on one line above it."""
    lines: list[list[str]] = [[]]
    room = _STRIP_LETTERS
    for text, width in _parts(title, traces):
        if width > room and lines[-1]:
            lines.append([])
            room = _STRIP_LETTERS
        lines[-1].append(text)
        room -= width
    return {
        "name": "strip",
        "text": "<br>".join(PART.join(line) for line in lines),
        "font": {"size": 11},
        "bgcolor": "rgba(255,255,255,0.8)",
        "borderpad": 0,
        "align": "left",
        "showarrow": False,
        "xref": "paper",
        "yref": "paper",
        "x": 0,
        "xanchor": "left",
        "y": at,
        "yanchor": "bottom",
        "yshift": 1,
    }


def _parts(title: str, traces: Sequence[dict[str, Any]]) -> list[tuple[str, int]]:
    """Pieces of a strip with their widths in letters."""
    parts = [(f"<b>{label(title)}</b>", len(title) + 2)] if title else []
    for trace in traces:
        name = trace.get("name")
        if name and trace.get("showlegend") is not False:
            parts.append((f'<span style="color:{_colour(trace)}">{_sample(trace)}</span> {name}', len(name) + 7))
    return parts


def _strip_px(panel: Panel) -> int:
    """Height of the strip above a panel."""
    if not panel.title:
        return 0
    lines = str(strip_above(panel.title, panel.traces, 1.0)["text"]).count("<br>")
    return _STRIP_PX + _LINE_PX * lines


def _colour(trace: dict[str, Any]) -> str:
    part = trace.get("line", {}) if "lines" in trace.get("mode", "lines") else trace.get("marker", {})
    colour = part.get("color", INK)
    return colour if isinstance(colour, str) and colour.startswith("#") else "#4a7fa0"


def _sample(trace: dict[str, Any]) -> str:
    mode = trace.get("mode", "lines")
    if mode == "lines+markers" and trace.get("marker", {}).get("size", 0) >= _DOTTED_PX:
        return "─●─"
    if "lines" in mode:
        return _STROKES.get(trace.get("line", {}).get("dash", "solid"), "───")
    return _DOTS.get(trace.get("marker", {}).get("symbol", "circle"), "●")


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


def _on_left_half(at: float, x_axis: Mapping[str, Any]) -> bool:
    """Whether a position lies in the left half of an axis; False where its range is not given."""
    ends = x_axis.get("range")
    return ends is not None and at < ends[0] + _LEFT_SHARE * (ends[1] - ends[0])


def word_above(at: float, word: str, *, on_right: bool = False) -> dict[str, Any]:
    """A word above an upright line, on the side where it stays clear of the edge."""
    return {
        "text": label(word),
        "xref": "x",
        "yref": "paper",
        "x": at,
        "xanchor": "left" if on_right else "right",
        "y": 1,
        "yanchor": "bottom",
        "yshift": 16,
        "showarrow": False,
        "font": {"size": 11},
    }
