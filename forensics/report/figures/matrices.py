"""Matrices: modes by findings, order of events, and what the verdict becomes when one thing is changed."""

from __future__ import annotations

from typing import Any

import pandas as pd

from forensics.model.vocabulary import Provable
from forensics.report.figures.figure import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    PALE,
    VERMILION,
    Figure,
    axis,
    empty,
    label,
    layout,
)
from forensics.report.figures.panels import left_margin, strip_above
from forensics.results.schema import FindingsFile, HypothesisRow

_ROW_PX = 19
_EDGE_PX = 190
_FOR, _AGAINST, _SILENT = "speaks for", "speaks against", "cannot tell"
_MARKS = {_FOR: ("triangle-up", GREEN), _AGAINST: ("triangle-down", VERMILION), _SILENT: ("circle-open", GREY)}
_EFFECTS = (
    ("holds", "circle", BLUE),
    ("weaker", "circle-open", BLUE),
    ("lost", "diamond", VERMILION),
    ("changed", "x", VERMILION),
)
_SAID = {"holds": "holds", "weaker": "holds, with a smaller lead", "lost": "is lost", "changed": "changes to another"}


def hypothesis_matrix(findings: FindingsFile) -> Figure:
    """Every mode against every finding that any mode turns on."""
    key = "hypothesis-matrix"
    effects = [(h, _effects(h)) for h in findings.graded]
    used = {name for _, effect in effects for name in effect}
    ids = [f.id for f in findings.findings if f.id in used]
    ids += sorted(used - set(ids))
    if not ids:
        return empty(key, "no mode turns on any finding")
    rows = [f"{h.mode.value} ({h.grade.value})" for h, _ in effects]
    traces = []
    for word, (symbol, colour) in _MARKS.items():
        cells = [
            (name, row)
            for (_, effect), row in zip(effects, rows, strict=True)
            for name in ids
            if effect.get(name) == word
        ]
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": word,
                "x": [label(name) for name, _ in cells],
                "y": [row for _, row in cells],
                "marker": {"symbol": symbol, "color": colour, "size": 8},
                "hovertemplate": "%{y}<br>%{x}<extra>%{fullData.name}</extra>",
            }
        )
    shown = _room(_ROW_PX * len(rows), traces, rows, ids)
    small = {"tickfont": {"size": 9}, "showgrid": True, "gridcolor": PALE, "type": "category"}
    shown["xaxis"] = axis(
        "", small | {"tickangle": -90, "categoryarray": [label(i) for i in ids], "categoryorder": "array"}
    )
    shown["yaxis"] = axis("", small | {"categoryarray": rows[::-1], "categoryorder": "array"})
    counts = {word: sum(word in effect.values() for _, effect in effects) for word in _MARKS}
    caption = (
        f"All {len(rows)} modes (rows, with their grades) against the {len(ids)} findings that any of them turns on. "
        "Upward triangle: the finding speaks for the mode; downward: against it; open circle: it could have spoken and "
        "cannot tell. An empty cell: the mode does not turn on it."
    )
    alt = f"{caption} Modes with something for them: {counts[_FOR]}; with something against: {counts[_AGAINST]}."
    table = [
        {"mode": h.mode.value, "grade": h.grade.value}
        | {word: ", ".join(n for n, e in effect.items() if e == word) for word in _MARKS}
        for h, effect in effects
    ]
    return Figure(key, {"data": traces, "layout": shown}, caption, alt, pd.DataFrame(table))


def _room(height: int, traces: list[dict[str, Any]], rows: list[str], columns: list[str]) -> dict[str, Any]:
    """Layout of a matrix: room for the words on its left and below it, names above it."""
    below = left_margin(columns, least=60, most=_EDGE_PX, letter_px=5.2)
    margin = {"l": left_margin(rows, letter_px=5.4), "r": 14, "t": 40, "b": below}
    return layout(
        height + 40 + below, {"margin": margin, "annotations": [strip_above("", traces, 1.0) | {"yshift": 8}]}
    )


def _effects(h: HypothesisRow) -> dict[str, str]:
    return dict.fromkeys(h.cannot_tell, _SILENT) | dict.fromkeys(h.against, _AGAINST) | dict.fromkeys(h.for_, _FOR)


def order_matrix(findings: FindingsFile) -> Figure:
    """Which of two events came first, where that can be proved."""
    key = "order-matrix"
    names = list(dict.fromkeys(name for o in findings.order for name in (o.a, o.b)))
    if not names:
        return empty(key, "no two events near the failure could be held against each other")
    said: dict[tuple[str, str], str] = {}
    for o in findings.order:
        said[o.a, o.b] = o.order.value
        said[o.b, o.a] = {Provable.BEFORE: "after", Provable.AFTER: "before"}.get(o.order, o.order.value)
    marks = {
        "before": ("triangle-left", BLUE),
        "after": ("triangle-right", ORANGE),
        "not-provable": ("x-thin-open", GREY),
    }
    traces = []
    for word, (symbol, colour) in marks.items():
        cells = [pair for pair, order in said.items() if order == word]
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": f"row {word.replace('-', ' ')}" + ("" if word == "not-provable" else " column"),
                "x": [label(b) for _, b in cells],
                "y": [label(a) for a, _ in cells],
                "marker": {"symbol": symbol, "color": colour, "size": 11, "line": {"width": 1.5, "color": INK}},
                "hovertemplate": "%{y}<br>%{x}<extra>%{fullData.name}</extra>",
            }
        )
    shown = _room(24 * len(names), traces, names, names)
    plain: dict[str, Any] = {"type": "category", "categoryorder": "array", "tickfont": {"size": 10}}
    shown["xaxis"] = axis("", plain | {"categoryarray": [label(n) for n in names], "tickangle": -60})
    shown["yaxis"] = axis("", plain | {"categoryarray": [label(n) for n in names][::-1]})
    proved = sum(o.order is not Provable.NOT_PROVABLE for o in findings.order)
    caption = (
        f"Order of {len(names)} events near the failure, row against column. Of {len(findings.order)} pairs "
        f"{proved} are "
        "proved: the intervals of the two, widened by the uncertainty of their clocks, do not overlap."
    )
    table = pd.DataFrame([{"event": o.a, "stands": o.order.value, "event ": o.b} for o in findings.order])
    return Figure(key, {"data": traces, "layout": shown}, caption, caption, table)


def robustness_map(findings: FindingsFile) -> Figure:
    """What the verdict becomes when one thing is changed."""
    key = "robustness-map"
    rows = findings.robustness
    if not rows:
        return empty(key, "nothing was varied: the verdict rests on no finding")
    verdicts = list(dict.fromkeys(r.verdict for r in rows))
    traces = []
    for word, symbol, colour in _EFFECTS:
        chosen = [r for r in rows if r.effect == word]
        if chosen:
            traces.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "name": f"the verdict {_SAID[word]}",
                    "x": [label(r.verdict) for r in chosen],
                    "y": [label(r.changed) for r in chosen],
                    "marker": {"symbol": symbol, "color": colour, "size": 10},
                    "hovertemplate": "%{y}: %{x}<extra></extra>",
                }
            )
    shown = _room(_ROW_PX * len(rows), traces, [r.changed for r in rows], [])
    plain: dict[str, Any] = {"type": "category", "categoryorder": "array", "tickfont": {"size": 10}}
    shown["xaxis"] = axis("verdict", plain | {"categoryarray": [label(v) for v in verdicts]})
    shown["yaxis"] = axis("", plain | {"categoryarray": list(dict.fromkeys(label(r.changed) for r in rows))[::-1]})
    counts = {word: sum(r.effect == word for r in rows) for word, _, _ in _EFFECTS}
    caption = (
        f"The verdict when one thing is changed at a time ({len(rows)} changes): it holds in {counts['holds']}, holds "
        f"with a smaller lead in {counts['weaker']}, is lost in {counts['lost']} and changes to another in "
        f"{counts['changed']}."
    )
    table = pd.DataFrame([{"changed": r.changed, "verdict": r.verdict, "effect": r.effect} for r in rows])
    return Figure(key, {"data": traces, "layout": shown}, caption, caption, table)
