"""Figures of the study's page: verdicts as bars, calibration as points against a line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from forensics.report.figures.figure import BLUE, GREEN, GREY, VERMILION, Figure, axis, empty, layout, marker_style
from forensics.study import measure, tables
from forensics.study.answers import Answers
from forensics.study.scores import Bin

_ROW_PX, _HEAD_PX = 26, 110
_KINDS = (("right", GREEN, ""), ("cautious", GREY, "."), ("wrong", VERMILION, "/"))
_LEGEND: dict[str, Any] = {
    "showlegend": True,
    "legend": {"orientation": "h", "x": 0, "y": 1, "yref": "container", "yanchor": "top", "font": {"size": 11}},
    "margin": {"l": 56, "r": 16, "t": 44, "b": 48},
}


def verdicts_plate(answers: Answers, key: str) -> Figure:
    """Share of right, cautious and wrong verdicts by one of the cuts."""
    title, by = tables.CUTS[key]
    found = measure.by_verdict(answers, by)
    if not len(found):
        return empty(f"verdicts-{key}", "no case was judged")
    names = [str(name) for name in found[by[0]]]
    of = (found["cases"] - found["not_judged"]).clip(lower=1)
    data = [
        {
            "type": "bar",
            "orientation": "h",
            "name": kind,
            "y": names,
            "x": [round(100.0 * float(share), 2) for share in found[kind] / of],
            "marker": {"color": colour, "pattern": {"shape": shape, "fillmode": "overlay"}},
        }
        for kind, colour, shape in _KINDS
    ]
    more = {"barmode": "stack", "xaxis": axis("share of cases, %"), "yaxis": axis("", {"automargin": True})}
    figure = {"data": data, "layout": layout(_HEAD_PX + _ROW_PX * len(names), _LEGEND | more)}
    caption = f"{title}: share of verdicts that were right, cautious (undetermined) and wrong."
    return Figure(f"verdicts-{key}", figure, caption, f"{len(names)} bars; the numbers stand in the table.",
                  tables.verdicts(answers, by))  # fmt: skip


def calibration_plate(bins: Sequence[Bin]) -> Figure:
    """What decibans promised against what was so, each bin with its 95 % interval."""
    if not bins:
        return empty("calibration", "no hypothesis was true, or all were")
    told, found = [100.0 * b.told for b in bins], [100.0 * b.found for b in bins]
    error = {
        "type": "data",
        "symmetric": False,
        "array": [100.0 * (b.high - b.found) for b in bins],
        "arrayminus": [100.0 * (b.found - b.low) for b in bins],
    }
    points = {
        "type": "scatter", "mode": "markers", "name": "bins", "x": told, "y": found, "error_y": error,
        "marker": marker_style(0),
    }  # fmt: skip
    line = {
        "type": "scatter", "mode": "lines", "name": "as told", "x": [0.01, 100.0], "y": [0.01, 100.0],
        "line": {"color": BLUE, "dash": "dash", "width": 1},
    }  # fmt: skip
    axes = {
        "xaxis": axis("told, % of hypotheses true", {"type": "log"}),
        "yaxis": axis("found, % of hypotheses true", {"type": "log"}),
    }
    outside = sum(not b.holds for b in bins)
    caption = (
        f"What the decibans promise against what was so, {len(bins)} bins with their 95 % intervals; {outside} lie "
        "outside. Points above the line: the evidence was stronger than told; below it: weaker."
    )
    alt = f"{len(bins)} points, {len(bins) - outside} of them within their interval of the line."
    return Figure("calibration", {"data": [points, line], "layout": layout(420, _LEGEND | axes)}, caption, alt,
                  tables.bins(bins))  # fmt: skip
