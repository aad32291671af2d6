"""Figures of the comparison: modes by grade, starts and coast-downs of each machine, share still running."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from forensics.model.vocabulary import Grade
from forensics.report.figures.figure import (
    GREY,
    LINES,
    Figure,
    axis,
    empty,
    label,
    layout,
    marker_style,
)
from forensics.report.tables.words import frame, stamp_ns
from forensics.sites.gather import Collection, SiteCase
from forensics.sites.life import Survival, Weibull
from forensics.sites.machines import STOP_OF_FAILURE_NS, equalisation_s, starts_of, stops_of
from forensics.sites.tables import SURE, count_modes, modes_table, survival_table

ROW_PX, HEAD_PX, MOST_MACHINES, MOST_POINTS = 22, 110, 60, 60
PATTERNS = ("", "/", ".")
_LEGEND: dict[str, Any] = {
    "showlegend": True,
    "legend": {"orientation": "h", "x": 0, "y": 1, "yref": "container", "yanchor": "top", "font": {"size": 11}},
    "margin": {"l": 56, "r": 16, "t": 44, "b": 48},
}
_NAMES = {"automargin": True}


def modes_plate(collection: Collection) -> Figure:
    """Failures by mode; a bar a grade, side by side, never on top of each other."""
    counts = count_modes(collection)
    if not counts:
        return empty("modes-by-grade", "no mode is confirmed, probable or possible in any case")
    modes = sorted(counts, key=lambda m: tuple(counts[m].get(g.value, 0) for g in (*SURE, Grade.POSSIBLE)))
    data = [
        {
            "type": "bar",
            "orientation": "h",
            "name": grade.value,
            "y": modes,
            "x": [counts[m].get(grade.value, 0) for m in modes],
            "marker": {"color": LINES[n], "pattern": {"shape": PATTERNS[n], "fillmode": "overlay"}},
        }
        for n, grade in enumerate((*SURE, Grade.POSSIBLE))
    ]
    figure = {
        "data": data,
        "layout": layout(
            HEAD_PX + 3 * ROW_PX * len(modes),
            _LEGEND | {"barmode": "group", "xaxis": axis("failures counted"), "yaxis": axis("", _NAMES)},
        ),
    }
    return Figure(
        "modes-by-grade",
        figure,
        "Failures by mode, one bar a grade. Grades are not added up: a case whose cause is open stands under each mode "
        "that is possible for it.",
        f"Bars of {len(modes)} modes; the numbers stand in the table.",
        modes_table(collection),
    )


def ratios_plate(collection: Collection) -> Figure:
    """Settled amps over rated amps of every start, a row a machine; the last start is marked apart."""
    caption = (
        "Settled amps of each start over rated-load amps, a row a machine; the diamond is the last start before the "
        "latest failure. Unloaded starts lie low; what is normal for a machine is its own past."
    )
    return _strip(
        collection,
        "start-ratios",
        "settled amps / rated amps",
        caption,
        lambda cases: [(row.time_utc, row.ratio) for row in starts_of(cases)],
    )


def coast_plate(collection: Collection) -> Figure:
    """Time constant of the pressures' equalisation at every stop, a row a machine."""
    caption = (
        "Time constant with which discharge and suction pressure come together after a stop, in seconds, a row a "
        "machine (where only an upper bound is known, that); the diamond is the last stop up to the latest failure, "
        "with the one that it made. Stops without a constant are not drawn, nor is a diamond where the last has none."
    )
    return _strip(
        collection,
        "coast-down-times",
        "equalisation time constant, s",
        caption,
        lambda cases: [(row.time_utc, equalisation_s(row)) for row in stops_of(cases)],
        slack_ns=STOP_OF_FAILURE_NS,
    )


def _strip(
    collection: Collection,
    key: str,
    title: str,
    caption: str,
    points: Callable[[Sequence[SiteCase]], list[tuple[str, float | None]]],
    *,
    slack_ns: int = 0,
) -> Figure:
    past: list[tuple[float, str, str]] = []
    last: list[tuple[float, str, str]] = []
    machines: list[str] = []
    more = 0
    for machine, cases in collection.machines.items():
        until = max((c.failure_ns for c in cases if c.counts and c.failure_ns is not None), default=None)
        known = [(v, t) for t, v in points(cases) if until is None or (stamp_ns(t) or 0) <= until + slack_ns]
        found = [(v, t) for v, t in known if v is not None]
        if not found:
            continue
        if len(machines) == MOST_MACHINES:
            more += 1
            continue
        machines.append(machine)
        newest = [] if known[-1][0] is None else found[-1:]
        past += [(v, machine, t) for v, t in found[: len(found) - len(newest)][-MOST_POINTS:]]
        last += [(v, machine, t) for v, t in newest]
    if not machines:
        return empty(key, f"no machine has a value of {title}")
    note = f"the last {MOST_POINTS} a machine" + (f"; {more} more machines stand in the table" if more else "")
    names = [label(machine) for machine in machines]
    data = [_markers("earlier", past, 0, 5), _markers("last before the failure", last, 1, 10)]
    figure = {
        "data": data,
        "layout": layout(
            HEAD_PX + ROW_PX * len(machines),
            _LEGEND
            | {
                "xaxis": axis(title, {"rangemode": "tozero"}),
                "yaxis": axis("", {**_NAMES, "type": "category", "categoryarray": names[::-1]}),
            },
        ),
    }
    rows = [(machine, time, f"{value:.4g}") for value, machine, time in last]
    table = frame(("machine", "last, UTC", title), rows)
    return Figure(key, figure, caption, f"A strip of points for {len(machines)} machines.", table, note)


def _markers(name: str, points: Sequence[tuple[float, str, str]], number: int, size: int) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": [value for value, _, _ in points],
        "y": [label(machine) for _, machine, _ in points],
        "text": [label(time) for _, _, time in points],
        "hovertemplate": "%{y}<br>%{text}<br>%{x:.3g}<extra></extra>",
        "marker": marker_style(number, size=size),
    }


def survival_plate(found: Survival, fitted: Weibull | None) -> Figure:
    """Share of machines still running by hours, with its limits and the fitted life where there is one."""
    data = [
        _step("share still running", found.hours, found.share, {"color": LINES[0], "width": 2}),
        _step("95 % limits", found.hours, found.low, {"color": GREY, "dash": "dot", "width": 1.2}),
        _step("", found.hours, found.high, {"color": GREY, "dash": "dot", "width": 1.2}) | {"showlegend": False},
    ]
    if fitted is not None:
        data.append(_fitted(found.hours[-1], fitted))
    figure = {
        "data": data,
        "layout": layout(
            380,
            _LEGEND
            | {"xaxis": axis("running hours", {"rangemode": "tozero"}), "yaxis": axis("share", {"range": [0, 1.02]})},
        ),
    }
    caption = (
        f"Share of machines still running (Kaplan and Meier): {found.failures} failed, {found.censored} still running "
        "count until the hours they have. Every period is taken as new at its beginning."
    )
    return Figure("share-running", figure, caption, "A curve that steps down at each failure.", survival_table(found))


def _step(name: str, hours: Sequence[float], share: Sequence[float | None], line: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": [0.0, *hours],
        "y": [1.0, *share],
        "line": {"shape": "hv", **line},
    }


def _fitted(until_h: float, fitted: Weibull) -> dict[str, Any]:
    import numpy as np

    hours = np.linspace(0.0, 1.1 * until_h, 120)
    share = np.exp(-((hours / fitted.scale_h) ** fitted.shape))
    return {
        "type": "scatter",
        "mode": "lines",
        "name": "fitted Weibull life",
        "x": [float(f"{h:.6g}") for h in hours],
        "y": [float(f"{s:.6g}") for s in share],
        "line": {"color": LINES[1], "dash": "dash", "width": 1.6},
    }
