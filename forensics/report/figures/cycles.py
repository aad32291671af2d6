"""Starts and stops: the one at the failure over the machine's own history, and their measures over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from forensics.model.findings import Start, Stop
from forensics.model.points import NS, Samples
from forensics.model.record import Record
from forensics.model.vocabulary import Answer, Role, StopKind
from forensics.report.figures.figure import (
    BLUE,
    GREEN,
    PURPLE,
    VERMILION,
    Figure,
    axis,
    empty,
    time_axis,
)
from forensics.report.figures.overlay import around, band, each, single
from forensics.report.figures.panels import Panel, stack
from forensics.report.healthy import healthy_start, healthy_stop
from forensics.report.words.units import ReportTime, Shown, number, role_words, shown_role, shown_unit

HISTORY_MOST, OTHERS_MOST = 50, 10
START_BEFORE_S, START_AFTER_S = 5.0, 60.0
STOP_BEFORE_S, STOP_AFTER_S = 5.0, 30.0
NEAR_FAILURE_S = 120.0
_FASTEST_USEFUL_S = 90.0


@dataclass(frozen=True)
class _Quantity:
    """A role, or the difference of two, drawn in one panel."""

    plus: Role
    minus: Role | None = None

    def title(self, display: str) -> str:
        """Axis title with its unit."""
        if self.minus is None:
            return f"{role_words(self.plus).split(' (')[0]}, {shown_role(self.plus, display).text}"
        words = f"{role_words(self.plus).split(' (')[0]} less {role_words(self.minus).split(' (')[0]}"
        return f"{words}, {shown_unit('kPa', display).text}"


@dataclass(frozen=True)
class _Groups:
    """Earlier starts or stops: the healthy ones, which make the band, and the others, drawn one by one."""

    healthy: tuple[int, ...]
    others: tuple[int, ...]

    @classmethod
    def of(cls, earlier: Sequence[tuple[int, bool]]) -> _Groups:
        """Divide times by whether each may teach what is usual."""
        return cls(tuple(t for t, good in earlier if good), tuple(t for t, good in earlier if not good))

    def words(self, event: str) -> str:
        """How many there are of each."""
        return f"{len(self.healthy)} healthy earlier {event}s; {len(self.others)} others"


START_PANELS = (
    _Quantity(Role.MOTOR_AMPS),
    _Quantity(Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE),
    _Quantity(Role.OIL_PRESSURE_DIFFERENCE),
    _Quantity(Role.OIL_PRESSURE, Role.SUCTION_PRESSURE),
    _Quantity(Role.SLIDE_POSITION),
)
STOP_PANELS = (
    _Quantity(Role.MOTOR_AMPS),
    _Quantity(Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE),
    _Quantity(Role.CONDENSER_PRESSURE, Role.SUCTION_PRESSURE),
    _Quantity(Role.SHAFT_SPEED),
    _Quantity(Role.SLIDE_POSITION),
)


def start_overlay(
    record: Record, starts: Sequence[Start], display: str, clock: ReportTime, *, number_of: int = 0
) -> Figure:
    """The start that led to the failure, or the one of a number from 1, over the machine's earlier starts."""
    key = "starts-overlay"
    failing = start_at_failure(starts, record.failure_ns)
    chosen = starts[number_of - 1] if number_of else failing
    if chosen is None:
        return empty(key, "no start before the failure was found")
    before = [s for s in starts if s.time_ns < chosen.time_ns][-HISTORY_MOST:]
    groups = _Groups.of([(s.time_ns, healthy_start(s)) for s in before])
    which = "The last start before the failure" if chosen is failing else _which("Start", number_of, len(starts))
    name = "the start at the failure" if chosen is failing else f"start {number_of}"
    about = f"{which} ({clock.text(chosen.time_ns)}) over {groups.words('start')}."
    span_s = (START_BEFORE_S, START_AFTER_S)
    return _overlay(
        record, START_PANELS, chosen.time_ns, groups, span_s, display=display, words=(key, about, "start", name)
    )


def _which(what: str, number_of: int, count: int) -> str:
    return f"{what} {number_of} of {count}, not the one at the failure"


def stop_overlay(
    record: Record, stops: Sequence[Stop], display: str, clock: ReportTime, *, loaded_from: float, number_of: int = 0
) -> Figure:
    """The stop at the failure, or the one of a number from 1, over the machine's earlier normal stops."""
    key = "stops-overlay"
    failing = stop_at_failure(stops, record.failure_ns)
    chosen = stops[number_of - 1] if number_of else failing
    if chosen is None:
        return empty(key, "no stop at or before the failure was found")
    before = [s for s in stops if s.time_ns < chosen.time_ns][-HISTORY_MOST:]
    groups = _Groups.of([(s.time_ns, healthy_stop(s, loaded_from)) for s in before])
    which = "The stop at the failure" if chosen is failing else _which("Stop", number_of, len(stops))
    name = "the stop at the failure" if chosen is failing else f"stop {number_of}"
    about = f"{which} ({clock.text(chosen.time_ns)}, {chosen.kind.value}) over {groups.words('stop')}."
    span_s = (STOP_BEFORE_S, STOP_AFTER_S)
    return _overlay(
        record, STOP_PANELS, chosen.time_ns, groups, span_s, display=display, words=(key, about, "stop", name)
    )


def start_at_failure(starts: Sequence[Start], failure_ns: int) -> Start | None:
    """The last start at or before the failure, its interval counted."""
    found = [s for s in starts if s.earliest_ns <= failure_ns]
    return found[-1] if found else None


def stop_at_failure(stops: Sequence[Stop], failure_ns: int) -> Stop | None:
    """The stop nearest to the failure within two minutes, else the last before it."""
    near = [s for s in stops if abs(s.time_ns - failure_ns) <= NEAR_FAILURE_S * NS]
    if near:
        return min(near, key=lambda s: abs(s.time_ns - failure_ns))
    before = [s for s in stops if s.earliest_ns <= failure_ns]
    return before[-1] if before else None


def _overlay(
    record: Record,
    quantities: Sequence[_Quantity],
    at_ns: int,
    groups: _Groups,
    span_s: tuple[float, float],
    display: str,
    words: tuple[str, str, str, str],
) -> Figure:
    key, about, event, name = words
    panels, rows = [], []
    for quantity in quantities:
        plus = record.fastest(quantity.plus)
        minus = record.fastest(quantity.minus) if quantity.minus is not None else None
        if plus is None or (quantity.minus is not None and minus is None) or plus.interval_s > _FASTEST_USEFUL_S:
            continue
        panel = _panel(quantity, plus, minus, at_ns, groups, span_s=span_s, display=display, words=(event, name))
        if panel is not None:
            panels.append(panel[0])
            rows.append(panel[1])
    if not panels:
        return empty(key, f"no point is sampled every {_FASTEST_USEFUL_S:g} s or faster around the {event}")
    origin = "motor current begins" if event == "start" else "motor current ends"
    x = axis(f"seconds from where {origin}", {"range": [-span_s[0], span_s[1]]})
    figure = stack(panels, x, lines_at=[(0.0, origin)])
    caption = (
        f"{about} Black: its own readings. Band: the middle eight tenths of the healthy ones, dashed: their "
        "median (on a grid made for drawing, each value the last reading at or before; fewer than five make no band). "
        "Thin: the others, loaded, tripped, backwards or not judged."
    )
    alt = f"{about} Panels: {'; '.join(p.title for p in panels)}."
    return Figure(key, figure, caption, alt, pd.DataFrame(rows))


def _panel(
    quantity: _Quantity,
    plus: Samples,
    minus: Samples | None,
    at_ns: int,
    groups: _Groups,
    span_s: tuple[float, float],
    display: str,
    words: tuple[str, str],
) -> tuple[Panel, dict[str, str]] | None:
    shown = shown_unit("kPa", display) if minus is not None else shown_role(quantity.plus, display)
    traces = []
    history = None
    event, own_name = words
    if groups.healthy:
        history = around(plus, groups.healthy, *span_s, minus=minus)
        history = type(history)(history.seconds, shown.array(history.values))
        traces = band(history, name=f"median of {len(groups.healthy)} healthy {event}s")
        if not traces:
            traces = [each(history, name=f"healthy {event}s")]
    if groups.others:
        rest = around(plus, groups.others, *span_s, minus=minus)
        rest = type(rest)(rest.seconds, shown.array(rest.values))
        traces.append(each(rest, name=f"other {event}s", colour=VERMILION, most=OTHERS_MOST))
    own = single(plus, at_ns, *span_s, name=own_name, factor=shown.factor, offset=shown.offset, minus=minus)
    if own is not None:
        traces.append(own)
    if not traces:
        return None
    title = quantity.title(display)
    row = {"quantity": title, "usual interval, s": number(plus.interval_s, digits=3)}
    for second in (-5.0, 2.0, 10.0, 30.0, 60.0):
        value = _value_at(plus, minus, at_ns + round(second * NS))
        row[f"at {second:+.0f} s"] = shown.number(value)
        if history is not None and len(history.values):
            column = history.values[:, int(np.argmin(np.abs(history.seconds - second)))]
            known = column[np.isfinite(column)]
            row[f"healthy, median {second:+.0f} s"] = number(float(np.median(known))) if len(known) else "–"
    return Panel(title, traces), row


def _value_at(plus: Samples, minus: Samples | None, time_ns: int) -> float | None:
    first = plus.before(time_ns, 3 * plus.interval_s)
    if first is None:
        return None
    if minus is None:
        return first.value
    second = minus.before(time_ns, 3 * minus.interval_s)
    return None if second is None else first.value - second.value


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
