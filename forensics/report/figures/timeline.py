"""The timeline: states and solenoids as lanes over currents, pressures, oil and temperatures on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from forensics.machine.states import StateSpan
from forensics.model.points import OFF, ON, Edge, Span
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role, State
from forensics.report.figures.figure import BLUE, GREEN, GREY, INK, PURPLE, VERMILION, Figure, label, time_axis
from forensics.report.figures.panels import Panel, stack
from forensics.report.figures.traces import Drawn, bars, covering, draw, thinning_words
from forensics.report.words.units import ReportTime, readable, role_words, shown_role

PANELS: tuple[tuple[str, tuple[Role, ...]], ...] = (
    ("current", (Role.MOTOR_AMPS, Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)),
    (
        "pressure",
        (
            Role.DISCHARGE_PRESSURE,
            Role.CONDENSER_PRESSURE,
            Role.HIGH_SIDE_PRESSURE,
            Role.SUCTION_PRESSURE,
            Role.OIL_PRESSURE,
        ),
    ),
    ("oil difference", (Role.OIL_PRESSURE_DIFFERENCE,)),
    (
        "temperature",
        (Role.DISCHARGE_TEMPERATURE, Role.OIL_TEMPERATURE, Role.SUCTION_TEMPERATURE, Role.WINDING_TEMPERATURE),
    ),
    ("position", (Role.SLIDE_POSITION, Role.CAPACITY_COMMAND, Role.EXPANSION_VALVE_POSITION, Role.OIL_LEVEL)),
    ("speed", (Role.SHAFT_SPEED,)),
    ("voltage", (Role.VOLTS_AB, Role.VOLTS_BC, Role.VOLTS_CA)),
)
LANES = (
    Role.RUN_COMMAND,
    Role.RUN_STATUS,
    Role.LOAD_SOLENOID,
    Role.UNLOAD_SOLENOID,
    Role.BYPASS_SOLENOID,
    Role.INJECTION_SOLENOID,
    Role.OIL_HEATER,
    Role.TRIP,
    Role.COMMUNICATION,
)
STATE_COLOURS = {
    State.REST: "#8f8f8a",
    State.START: "#9a8420",
    State.LOAD: BLUE,
    State.HOLD: GREY,
    State.UNLOAD: GREEN,
    State.STOP: PURPLE,
    State.COAST_DOWN: VERMILION,
}
STATE_ROW = "state: "
_LANE_PX, _LANE_WORDS_PX, _PANEL_PX = 18, 10, 132
_MOST_HATCHED = 120
_TOLD_PX, _INFERRED_PX = 10, 4
_HATCH_SHARE = 0.8
_HATCH = {"shape": "/", "fgcolor": INK, "bgcolor": "#ffffff", "size": 5, "solidity": 0.35}
_SEEN_SHARE = 0.001
_ENDS_PX = 118
_VALUED = frozenset({"current", "position", "oil difference"})
WINDOW_POINTS = 800


def timeline(
    record: Record,
    states: Sequence[StateSpan],
    clock: ReportTime,
    display: str,
    *,
    span: Span,
    key: str,
    about: str,
    close: bool = False,
) -> Figure:
    """Everything on one time axis.

    Parameters
    ----------
    span
        What is drawn.
    about
        First words of the caption.
    close
        Whether highest values are written on the lines, and names at their ends.
    """
    lanes, lane_rows, lane_names = _lanes(record, states, clock, span)
    panels, drawn = _panels(record, clock, display, span)
    ends = [float(v) for v in clock.axis_ms(np.array([span.start_ns, span.end_ns], np.int64))]
    x = time_axis(clock, {"range": ends})
    lines = []
    if span.holds(record.failure_ns):
        lines = [(float(clock.axis_ms(np.array([record.failure_ns], np.int64))[0]), "failure")]
    lines += [(float(clock.axis_ms(np.array([at], np.int64))[0]), words) for at, words in clock.changes(span)]
    figure = stack([*_lane_panel(lanes, lane_names), *panels], x, lines_at=lines)
    figure["layout"]["barmode"] = "overlay"
    if close:
        _write_values(figure["layout"], panels, drawn, first=2 if lane_names else 1)
    caption = (
        f"{about} Lanes: operating states, a lane each (thin: inferred, no command tells it), and switches "
        "(thick: on; thin: off; empty: not known). Below: "
        f"{'; '.join(panel.title for panel in panels) or 'no analogue points'}. Times are {clock.axis_title}. "
        "A line breaks where there is no reading; a hatched box on a lane is the interval in which an event lies."
    )
    table = pd.DataFrame([line.row for line in drawn] + lane_rows).fillna("")
    alt = _alt(record, clock, lane_names, drawn, span)
    return Figure(key, figure, caption, alt, table, thinning_words(drawn))


def _panels(record: Record, clock: ReportTime, display: str, span: Span) -> tuple[list[Panel], list[Drawn]]:
    panels: list[Panel] = []
    everything: list[Drawn] = []
    for title, roles in PANELS:
        drawn: list[Drawn] = []
        for role in roles:
            point = covering(record, role, span)
            name, place = _short(role, title), roles.index(role)
            line = point and draw(point, clock, display, span=span, place=place, name=name, most=WINDOW_POINTS)
            if line:
                drawn.append(line)
        if drawn:
            unit = shown_role(roles[0], display).text
            panels.append(Panel(f"{title}, {unit}" if unit else title, [line.trace for line in drawn], _PANEL_PX))
            everything += drawn
    return panels, everything


def _write_values(layout: dict[str, Any], panels: Sequence[Panel], drawn: Sequence[Drawn], *, first: int) -> None:
    """Write each line's name at its end, and the highest value of the lines of the panels in ``_VALUED``."""
    layout["margin"]["r"] = _ENDS_PX
    by_trace = {id(line.trace): line for line in drawn}
    for number_of, panel in enumerate(panels, start=first):
        yref = "y" if number_of == 1 else f"y{number_of}"
        for trace in panel.traces:
            line = by_trace[id(trace)]
            plain = {"xref": "x", "yref": yref, "font": {"size": 10, "color": trace["line"]["color"]}}
            x, y = line.last
            end = {
                "name": "end",
                "x": x,
                "y": y,
                "text": trace["name"].partition(" (")[0],
                "xanchor": "left",
                "showarrow": False,
            }
            layout["annotations"].append(plain | end)
            if panel.title.partition(",")[0] in _VALUED:
                x, y = line.peak
                words = label(f"{readable(y)} {line.row['unit']}")
                arrow = {"showarrow": True, "arrowhead": 0, "arrowwidth": 1, "ax": 34, "ay": -4}
                layout["annotations"].append(plain | arrow | {"x": x, "y": y, "text": words})


def _short(role: Role, title: str) -> str:
    """Words for a role without what the panel's title says already."""
    words = role_words(role).replace(f" {title}", "").replace(f"{title}, ", "").replace(f"{title} ", "")
    return words.replace(" the check valve)", " check valve)") or title


def _lane_panel(lanes: list[dict[str, Any]], names: list[str]) -> list[Panel]:
    if not names:
        return []
    more = {
        "type": "category",
        "categoryorder": "array",
        "categoryarray": names[::-1],
        "range": [-0.6, len(names) - 0.4],
        # every lane keeps its name, however narrow it is drawn
        "tickmode": "array",
        "tickvals": names[::-1],
        "tickfont": {"size": _LANE_WORDS_PX},
        "showgrid": False,
    }
    return [Panel("", lanes, _LANE_PX * len(names) + 8, more)]


def _lanes(
    record: Record, states: Sequence[StateSpan], clock: ReportTime, span: Span
) -> tuple[list[dict[str, Any]], list[dict[str, str]], list[str]]:
    traces: list[dict[str, Any]] = []
    rows: list[dict[str, str]] = []
    names: list[str] = []
    inside = [s for s in states if s.end_ns > span.start_ns and s.start_ns < span.end_ns]
    for state in sorted({s.state for s in inside}, key=list(State).index):
        row = f"{STATE_ROW}{state.value}"
        names.append(row)
        spans = {
            inferred: [
                Span(max(s.start_ns, span.start_ns), min(s.end_ns, span.end_ns))
                for s in inside
                if s.state is state and s.inferred is inferred
            ]
            for inferred in (False, True)
        }
        for inferred, width, name in ((False, _TOLD_PX, state.value), (True, _INFERRED_PX, f"{state.value}, inferred")):
            if spans[inferred]:
                style = {"color": STATE_COLOURS.get(state, GREY), "width": width}
                traces.append(bars(spans[inferred], row, clock, style, name=name))
                told = f"{row}, inferred" if inferred else row
                seconds = sum(s.seconds for s in spans[inferred])
                rows.append({"series": told, "readings": str(len(spans[inferred])), "seconds": f"{seconds:.0f}"})
    for role in LANES:
        switch = record.switch(role)
        if switch is None:
            continue
        names.append(role_words(role))
        traces += _switch_traces(switch, role_words(role), clock, span)
        edges = [e for e in switch.edges if span.holds(e.latest_ns)]
        rows.append(
            {
                "series": role_words(role),
                "column": switch.origin.column,
                "source": switch.origin.source,
                "changes": str(len(edges)),
            }
        )
    return traces, rows, names


def _switch_traces(switch: Switch, row: str, clock: ReportTime, span: Span) -> list[dict[str, Any]]:
    def clipped(spans: Sequence[Span]) -> list[Span]:
        return [part for part in (s.overlap(span) for s in spans) if part is not None]

    off = bars(clipped(switch.covered), row, clock, {"color": GREY, "width": 1.2}, name=f"{row}: off")
    on = bars(clipped(switch.on_spans), row, clock, {"color": INK, "width": 9}, name=f"{row}: on")
    least_ns = (span.end_ns - span.start_ns) * _SEEN_SHARE
    wide = [
        e
        for e in switch.edges
        if e.latest_ns - e.earliest_ns > least_ns and e.earliest_ns < span.end_ns and e.latest_ns > span.start_ns
    ]
    return [off, on, *([_hatched(wide[-_MOST_HATCHED:], row, clock, span)] if wide else [])]


def _hatched(edges: Sequence[Edge], row: str, clock: ReportTime, span: Span) -> dict[str, Any]:
    """Edges as hatched intervals, cut at the ends of the axis: each lies somewhere in its own."""
    begin = np.array([max(e.earliest_ns, span.start_ns) for e in edges], np.int64)
    end = np.array([min(e.latest_ns, span.end_ns) for e in edges], np.int64)
    words = {ON: "on", OFF: "off"}
    return {
        "type": "bar",
        "orientation": "h",
        "base": [float(v) for v in clock.axis_ms(begin)],
        "x": [float(v) for v in (end - begin) / 1e6],
        "y": [row] * len(edges),
        "width": _HATCH_SHARE,
        "text": [
            f"{words.get(e.to, 'unknown')}, somewhere between {clock.text(e.earliest_ns)} and {clock.text(e.latest_ns)}"
            for e in edges
        ],
        "textposition": "none",
        "marker": {"color": "#ffffff", "line": {"color": GREY, "width": 1}, "pattern": _HATCH},
        "showlegend": False,
        "name": label(row),
        "hovertemplate": "%{text}<extra>%{fullData.name}</extra>",
    }


def _alt(record: Record, clock: ReportTime, lanes: list[str], drawn: Sequence[Drawn], span: Span) -> str:
    said = "; ".join(f"{d.row['series']} from {d.row['lowest']} to {d.row['highest']} {d.row['unit']}" for d in drawn)
    return (
        f"Timeline from {clock.text(span.start_ns)} to {clock.text(span.end_ns)}, failure at "
        f"{clock.text(record.failure_ns)}. Lanes: {', '.join(lanes) or 'none'}. Series: {said or 'none'}."
    )
