"""Starts and stops over time: the settled ratio of each start, and how the pressures came together after each stop."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from forensics.model.findings import Start, Stop
from forensics.model.vocabulary import Answer, StopKind
from forensics.report.figures.figure import (
    BLUE,
    GREEN,
    PURPLE,
    VERMILION,
    Figure,
    empty,
    time_axis,
)
from forensics.report.figures.panels import Panel, stack
from forensics.report.words.units import ReportTime, Shown, number, shown_unit

_ANSWERS = {Answer.YES: (GREEN, "circle"), Answer.NO: (VERMILION, "diamond"), Answer.CANNOT_TELL: (PURPLE, "x")}
_WORDS = {Answer.YES: "unloaded", Answer.NO: "loaded", Answer.CANNOT_TELL: "cannot tell"}


def start_ratios(starts: Sequence[Start], limit: float | None, clock: ReportTime) -> Figure:
    """Ratio of settled to rated amps of every start with its interval."""
    key = "starts-ratio"
    known = [s for s in starts if s.ratio is not None]
    if not known:
        return empty(key, "no start has a ratio of settled to rated current")
    traces = []
    for answer, (colour, symbol) in _ANSWERS.items():
        group = [s for s in known if s.unloaded is answer]
        if not group:
            continue
        ratio = np.array([s.ratio for s in group], float)
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": _WORDS[answer],
                "x": clock.axis_ms(np.array([s.time_ns for s in group], np.int64)).tolist(),
                "y": [round(float(v), 5) for v in ratio],
                "marker": {"color": colour, "symbol": symbol, "size": 9},
                "error_y": {
                    "type": "data",
                    "symmetric": False,
                    "array": [round((s.high or r) - r, 5) for s, r in zip(group, ratio, strict=True)],
                    "arrayminus": [round(r - (s.low or r), 5) for s, r in zip(group, ratio, strict=True)],
                    "color": colour,
                    "thickness": 1.1,
                    "width": 4,
                },
                "hovertemplate": "%{y:.3f} of rated<br>%{x}<extra>%{fullData.name}</extra>",
            }
        )
    figure = stack(
        [Panel("settled current over rated current", traces, 260, {"rangemode": "tozero"})], time_axis(clock)
    )
    if limit is not None:
        figure["layout"]["shapes"].append(
            {
                "type": "line",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "yref": "y",
                "y0": limit,
                "y1": limit,
                "line": {"color": BLUE, "width": 1.2, "dash": "dash"},
            }
        )
        figure["layout"]["annotations"].append(
            {
                "text": f"limit for an unloaded start, {limit:.2f}",
                "xref": "paper",
                "x": 0.01,
                "xanchor": "left",
                "y": limit,
                "yanchor": "bottom",
                "showarrow": False,
                "font": {"size": 11, "color": BLUE},
            }
        )
    said = f"Dashed: the limit for an unloaded start, {number(limit)}." if limit is not None else ""
    counts = ", ".join(f"{sum(s.unloaded is a for s in known)} {_WORDS[a]}" for a in _ANSWERS)
    caption = (
        f"Ratio of settled to rated current of {len(known)} starts, bars: its interval. {said} {clock.axis_title}."
    )
    rows = [
        {
            "start": clock.text(s.time_ns),
            "ratio": number(s.ratio, digits=3),
            "low": number(s.low, digits=3),
            "high": number(s.high, digits=3),
            "judged": _WORDS[s.unloaded],
            "by": s.judged_by,
            "why": s.judged_why or s.why_not,
            "settled ended by": s.settled_ended_by,
        }
        for s in known
    ]
    return Figure(key, figure, caption, f"{len(known)} starts over time: {counts}. {said}", pd.DataFrame(rows))


def stop_history(stops: Sequence[Stop], clock: ReportTime, display: str) -> Figure:
    """Time constants and residual differences of all stops over time."""
    key = "stops-history"
    pressure = shown_unit("kPa", display)
    kinds = (
        ("equalisation time constant, s", "equalisation_time_constant_s", 1.0),
        ("high-side decay, s", "high_side_decay_s", 1.0),
        (f"residual difference, {pressure.text}", "residual_difference_kpa", pressure.factor),
    )
    panels = []
    for title, name, factor in kinds:
        traces = []
        for kind, colour, symbol in ((StopKind.NORMAL, BLUE, "circle"), (StopKind.TRIP, VERMILION, "diamond")):
            group = [s for s in stops if s.kind is kind and getattr(s, name) is not None]
            if group:
                traces.append(
                    {
                        "type": "scatter",
                        "mode": "markers",
                        "name": f"{kind.value} stops",
                        "x": clock.axis_ms(np.array([s.time_ns for s in group], np.int64)).tolist(),
                        "y": [round(float(getattr(s, name)) * factor, 5) for s in group],
                        "marker": {"color": colour, "symbol": symbol, "size": 8},
                        "error_y": {
                            "type": "data",
                            "symmetric": False,
                            "array": [round(_reach(s, name)[1] * factor, 5) for s in group],
                            "arrayminus": [round(_reach(s, name)[0] * factor, 5) for s in group],
                            "thickness": 1,
                            "width": 3,
                        },
                        "hovertemplate": "%{y:.4g}<br>%{x}<extra>%{fullData.name}</extra>",
                    }
                )
        if traces:
            panels.append(Panel(title, traces, 150))
    if not panels:
        return empty(key, "no stop has a fitted time constant or residual difference")
    caption = (
        "What was fitted to each stop: time constant of discharge less suction pressure, decay of condenser "
        "less suction "
        f"pressure, and the difference left 50 to 90 s after the stop; bars: interval. {clock.axis_title}."
    )
    table = pd.DataFrame([_stop_row(s, clock, pressure) for s in stops])
    return Figure(key, stack(panels, time_axis(clock)), caption, f"{len(stops)} stops. {caption}", table)


def _reach(stop: Stop, name: str) -> tuple[float, float]:
    """How far the interval of a stop's number reaches below and above it."""
    bounds = stop.bounded.get(name)
    if bounds is None or bounds.value is None:
        return 0.0, 0.0
    low, high = (bounds.value if end is None else end for end in (bounds.low, bounds.high))
    return max(bounds.value - low, 0.0), max(high - bounds.value, 0.0)


def _bound_words(stop: Stop, name: str, factor: float = 1.0) -> str:
    """The interval of a stop's number, or the bound where only that is known; empty where neither is."""
    bounds = stop.bounded.get(name)
    if bounds is None:
        return ""
    low, high = (None if end is None else number(end * factor, digits=3) for end in (bounds.low, bounds.high))
    if bounds.censored:
        return f"at most {high}" if bounds.censored == "below" else f"at least {low}"
    return "" if low is None or high is None else f"{low} to {high}"


def _stop_row(stop: Stop, clock: ReportTime, pressure: Shown) -> dict[str, str]:
    return {
        "stop": clock.text(stop.time_ns),
        "kind": stop.kind.value,
        "equalisation, s": number(stop.equalisation_time_constant_s, digits=3),
        "interval, s": _bound_words(stop, "equalisation_time_constant_s"),
        "high-side decay, s": number(stop.high_side_decay_s, digits=3),
        "interval, s ": _bound_words(stop, "high_side_decay_s"),
        f"residual, {pressure.text}": pressure.number(stop.residual_difference_kpa, digits=3),
    }
