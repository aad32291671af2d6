"""The slower pictures: saturation, response of the slide, oil and filter over the whole record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from forensics.machine.subject import Saturation
from forensics.model.points import NS, Samples, Span
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role
from forensics.report.figures.figure import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    PURPLE,
    SYMBOLS,
    VERMILION,
    Figure,
    axis,
    empty,
    label,
    packed,
    time_axis,
)
from forensics.report.figures.panels import Panel, stack, upright, word_above
from forensics.report.figures.traces import Drawn, covering, draw, thinning_words
from forensics.report.words.units import ReportTime, number, role_words, shown_role, shown_unit

MOST_PAIRS = 250
MOST_TREND = 700
SETTLE_S = 12.0
MOST_PULSES = 400
_CURVE_POINTS = 60
_PAIR_AGE_INTERVALS = 3.0
PAIRS = (
    (Role.SUCTION_TEMPERATURE, (Role.SUCTION_PRESSURE,), "suction", BLUE),
    (
        Role.DISCHARGE_TEMPERATURE,
        (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE, Role.HIGH_SIDE_PRESSURE),
        "discharge",
        VERMILION,
    ),
    (
        Role.LIQUID_TEMPERATURE,
        (Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE, Role.HIGH_SIDE_PRESSURE),
        "liquid",
        GREEN,
    ),
    (Role.OIL_TEMPERATURE, (Role.SUCTION_PRESSURE,), "oil, at suction pressure", PURPLE),
)


def saturation_picture(record: Record, saturation: Saturation | None, why_not: str, display: str) -> Figure:
    """Temperatures against pressures of the window, with the saturation curve of the refrigerant."""
    key = "saturation"
    if saturation is None:
        return empty(key, why_not or "there are no saturation data for this refrigerant")
    unit_t, unit_p = shown_role(Role.SUCTION_TEMPERATURE, display), shown_role(Role.SUCTION_PRESSURE, display)
    traces, rows, pressures = [], [], []
    for number_of, (role_t, roles_p, name, colour) in enumerate(PAIRS):
        warm = record.point(role_t)
        pressed = next((p for p in (record.point(r) for r in roles_p) if p is not None), None)
        if warm is None or pressed is None:
            continue
        cut = warm.between(record.window.start_ns, record.window.end_ns).usable
        kept = (
            np.unique(np.linspace(0, len(cut) - 1, min(len(cut), MOST_PAIRS)).astype(int))
            if len(cut)
            else np.zeros(0, int)
        )
        held = pressed.at(cut.t[kept], _PAIR_AGE_INTERVALS * max(pressed.interval_s, warm.interval_s))
        good = np.isfinite(held) & (held > 0)
        if not good.any():
            continue
        pressures += [float(held[good].min()), float(held[good].max())]
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": label(name),
                "x": packed(unit_t.array(cut.v[kept][good]).astype(np.float32)),
                "y": packed(unit_p.array(held[good]).astype(np.float32)),
                "marker": {"color": colour, "symbol": f"{SYMBOLS[number_of % len(SYMBOLS)]}-open", "size": 5},
                "hovertemplate": f"%{{x:.4g}} {unit_t.text}, %{{y:.4g}} {unit_p.text}<extra>%{{fullData.name}}</extra>",
            }
        )
        rows.append(
            _pair_row(name, saturation, cut.v[kept][good], held[good], role_t, role_p=pressed.role, display=display)
        )
    if not traces:
        return empty(key, "no temperature has a pressure to be held against")
    traces = _saturation_lines(saturation, pressures, unit_t, unit_p) + traces
    figure = stack(
        [Panel(f"pressure, {unit_p.text}", traces, 420, {"type": "log"})], axis(f"temperature, {unit_t.text}")
    )
    caption = (
        f"Pressure (logarithmic, {unit_p.text}) against temperature ({unit_t.text}) in the window. Lines: "
        "saturation (dew, "
        "and bubble where it differs). Right of the dew line: superheated; on it: wet; left of the bubble "
        "line: subcooled. "
        f"Up to {MOST_PAIRS} pairs of each kind, spread evenly; each temperature with the pressure at or before it."
    )
    alt = caption + " " + "; ".join(f"{r['pair']}: median distance from dew {r['median, from dew']}" for r in rows)
    return Figure(key, figure, caption, alt, pd.DataFrame(rows))


def _saturation_lines(
    saturation: Saturation, pressures: Sequence[float], unit_t: Any, unit_p: Any
) -> list[dict[str, Any]]:
    grid = np.geomspace(min(pressures) * 0.8, max(pressures) * 1.2, _CURVE_POINTS)
    lines: list[dict[str, Any]] = []
    for name, temperature, dash in (
        ("saturation, dew", saturation.dew_c(grid), "solid"),
        ("saturation, bubble", saturation.bubble_c(grid), "dash"),
    ):
        good = np.isfinite(temperature)
        if lines and np.allclose(temperature[good], saturation.dew_c(grid)[good], atol=0.05):
            continue
        lines.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": name,
                "x": packed(unit_t.array(temperature[good]).astype(np.float32)),
                "y": packed(unit_p.array(grid[good]).astype(np.float32)),
                "line": {"color": BLACK, "width": 1.6, "dash": dash},
            }
        )
    return lines


def _pair_row(
    name: str, saturation: Saturation, warm: Any, pressed: Any, role_t: Role, role_p: Role, display: str
) -> dict[str, str]:
    distance = warm - saturation.dew_c(pressed)
    known = distance[np.isfinite(distance)]
    unit = shown_unit("K", display)
    factor = unit.factor
    words = [number(float(np.percentile(known, q)) * factor) if len(known) else "–" for q in (10, 50, 90)]
    return {
        "pair": name,
        "temperature": role_words(role_t),
        "pressure": role_words(role_p),
        "pairs drawn": str(len(warm)),
        "10 %, from dew": f"{words[0]} {unit.text}",
        "median, from dew": f"{words[1]} {unit.text}",
        "90 %, from dew": f"{words[2]} {unit.text}",
    }


def slide_response(record: Record, display: str) -> Figure:
    """What each pulse of the load and unload solenoids did to the slide, or to the current where it is not logged."""
    key = "slide-response"
    seen = next((p for p in (record.point(r) for r in (Role.SLIDE_POSITION, Role.MOTOR_AMPS)) if p is not None), None)
    load, unload = record.switch(Role.LOAD_SOLENOID), record.switch(Role.UNLOAD_SOLENOID)
    if seen is None or (load is None and unload is None):
        return empty(key, "neither slide position nor current is logged together with a load or unload solenoid")
    shown = shown_role(seen.role, display)
    unit = label(shown.text)
    panels, rows = [], []
    for switch, name, colour, symbol in (
        (load, "load", BLUE, "triangle-up"),
        (unload, "unload", VERMILION, "triangle-down"),
    ):
        if switch is None:
            continue
        length_s, change, ends = pulse_response(seen, switch, record)
        if not len(length_s):
            continue
        inside = (ends >= record.window.start_ns) & (ends < record.window.end_ns)
        traces = []
        for chosen, words, tint in ((~inside, "history", GREY), (inside, "window", colour)):
            if chosen.any():
                traces.append(
                    {
                        "type": "scatter",
                        "mode": "markers",
                        "name": f"{name} pulses, {words}",
                        "x": packed(length_s[chosen].astype(np.float32)),
                        "y": packed((change[chosen] * shown.factor).astype(np.float32)),
                        "marker": {
                            "color": tint,
                            "symbol": symbol if words == "window" else f"{symbol}-open",
                            "size": 6,
                        },
                        "hovertemplate": f"%{{x:.3g}} s: %{{y:.3g}} {unit}<extra>%{{fullData.name}}</extra>",
                    }
                )
                rows.append(
                    {
                        "pulses": f"{name}, {words}",
                        "count": str(int(chosen.sum())),
                        "median length, s": number(float(np.median(length_s[chosen])), digits=3),
                        f"median change, {shown.text}": number(
                            float(np.median(change[chosen])) * shown.factor, digits=3
                        ),
                        f"change per s, {shown.text}": number(
                            float(np.median(change[chosen] / length_s[chosen])) * shown.factor, digits=3
                        ),
                    }
                )
        panels.append(Panel(f"change after {name}, {shown.text}", traces, 190, {"zeroline": True}))
    if not panels:
        return empty(key, "no pulse of the load or unload solenoid while the machine ran has readings on both sides")
    figure = stack(panels, axis("length of the pulse, s", {"type": "log"}))
    words = role_words(seen.role)
    caption = (
        f"Change of the {words} ({shown.text}) from just before each pulse to {SETTLE_S:g} s after its end, "
        "against the "
        "length of the pulse (logarithmic), while the machine ran. Open grey: history before the window."
    )
    if seen.role is Role.MOTOR_AMPS:
        caption += " The current also follows the pressures: it stands in for the slide, which is not logged."
    return Figure(key, figure, caption, caption, pd.DataFrame(rows))


def pulse_response(seen: Samples, switch: Switch, record: Record) -> tuple[Any, Any, Any]:
    """Length (s), change (canonical unit) and end (ns) of pulses with young readings on both sides, machine running."""
    spans = [s for s in switch.on_spans if s.seconds > 0]
    spans = spans[-MOST_PULSES:]
    if not spans:
        return np.zeros(0), np.zeros(0), np.zeros(0, np.int64)
    begin = np.array([s.start_ns for s in spans], np.int64)
    end = np.array([s.end_ns for s in spans], np.int64)
    age_s = max(_PAIR_AGE_INTERVALS * seen.interval_s, 2.0) if np.isfinite(seen.interval_s) else None
    change = seen.at(end + round(SETTLE_S * NS), age_s) - seen.at(begin, age_s)
    good = np.isfinite(change)
    amps = record.point(Role.MOTOR_AMPS)
    if amps is not None:
        floor = 0.1 * float(np.nanmax(amps.usable.v)) if len(amps.usable) else 0.0
        for times in (begin, end + round(SETTLE_S * NS)):
            good &= np.nan_to_num(amps.at(times, _PAIR_AGE_INTERVALS * amps.interval_s), nan=0.0) > floor
    return ((end - begin) / NS)[good], change[good], end[good]


def oil_trends(record: Record, display: str, clock: ReportTime) -> Figure:
    """Oil pressure difference, filter difference, oil and discharge temperature, and level over the whole record."""
    key = "oil-trends"
    span = Span(min(record.history.start_ns, record.window.start_ns), record.window.end_ns)
    unit = shown_unit("kPa", display).text
    oil, suction = covering(record, Role.OIL_PRESSURE, span), covering(record, Role.SUCTION_PRESSURE, span)
    direct = covering(record, Role.OIL_PRESSURE_DIFFERENCE, span)
    candidates: list[tuple[str, Samples | None]] = [
        (f"oil pressure difference, {unit}", direct if direct is not None else difference(oil, suction)),
        (f"filter difference, {unit}", difference(covering(record, Role.OIL_FILTER_IN_PRESSURE, span), oil)),
        (
            f"oil temperature, {shown_role(Role.OIL_TEMPERATURE, display).text}",
            covering(record, Role.OIL_TEMPERATURE, span),
        ),
        (
            f"discharge temperature, {shown_role(Role.DISCHARGE_TEMPERATURE, display).text}",
            covering(record, Role.DISCHARGE_TEMPERATURE, span),
        ),
        ("oil level, %", covering(record, Role.OIL_LEVEL, span)),
    ]
    panels: list[Panel] = []
    drawn: list[Drawn] = []
    for title, point in candidates:
        line = (
            draw(point, clock, display, span=span, place=0, name=title.split(",")[0], most=MOST_TREND)
            if point
            else None
        )
        if line is not None:
            panels.append(Panel(title, [line.trace], 140))
            drawn.append(line)
    if not panels:
        return empty(key, "no oil pressure, oil temperature or oil level is logged")
    begin, failure = (float(v) for v in clock.axis_ms(np.array([record.window.start_ns, record.failure_ns], np.int64)))
    figure = stack(panels, time_axis(clock), lines_at=[(failure, "failure")])
    if span.start_ns < record.window.start_ns:
        figure["layout"]["shapes"].append(upright(begin))
        figure["layout"]["annotations"].append(word_above(begin, "window begins"))
    caption = (
        "Oil and filter over the whole record, history included. A difference of two points is taken where "
        "the first has a "
        f"reading, with the second's last reading at or before it. {clock.axis_title}."
    )
    return Figure(key, figure, caption, caption, pd.DataFrame([d.row for d in drawn]), thinning_words(drawn))


def difference(plus: Samples | None, minus: Samples | None) -> Samples | None:
    """One point less another, as samples of the first; None where either is not there."""
    if plus is None or minus is None:
        return None
    usable = plus.usable
    values = usable.v - minus.at(usable.t, _PAIR_AGE_INTERVALS * max(minus.interval_s, plus.interval_s))
    good = np.isfinite(values)
    column = f"{plus.origin.column} less {minus.origin.column}"
    return replace(
        usable,
        role=Role.OIL_PRESSURE_DIFFERENCE,
        origin=replace(plus.origin, column=column),
        t=usable.t[good],
        v=values[good],
        q=usable.q[good],
        row=usable.row[good],
    )
