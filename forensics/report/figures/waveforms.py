"""Waveform records: effective values over time, and three cycles of raw samples where the most happens."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forensics.model.points import NS
from forensics.model.record import Waveform
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role
from forensics.report.figures.downsample import thin
from forensics.report.figures.figure import Figure, axis, empty, label, packed, series_style
from forensics.report.figures.panels import Panel, stack
from forensics.report.words.units import ReportTime, number, role_words

MOST_POINTS = 700
ZOOM_CYCLES = 3.0
_PANELS = ((Dimension.VOLTAGE, "voltage, V"), (Dimension.CURRENT, "current, A"))

Floats = NDArray[np.float64]


def waveform_plate(waveform: Waveform, number_of: int, clock: ReportTime, *, aligned: bool = True) -> Figure:
    """All channels of one record: RMS over one cycle along the record, and three cycles sample by sample.

    Parameters
    ----------
    number_of
        Which record it is, from 1: part of the key.
    aligned
        Whether the record's clock stands on the reference clock; else its stamps are told as its own.
    """
    key = f"waveform-{number_of}"
    zoom_s = zoom_span(waveform)
    panels, rows, notes = [], [], []
    for dimension, title in _PANELS:
        roles = [role for role in waveform.analog if ROLE_FACTS[role].dimension is dimension]
        if not roles:
            continue
        made = [_rms_trace(waveform, role, place) for place, role in enumerate(roles)]
        notes += [f"{role_words(role)}: {note}" for role, (_, note) in zip(roles, made, strict=True)]
        rows += [_row(waveform, role, title) for role in roles]
        panels.append(Panel(f"RMS of one cycle, {title}", [trace for trace, _ in made], 150))
        raw = [_raw_trace(waveform, role, place, zoom_s) for place, role in enumerate(roles)]
        panels.append(Panel(f"three cycles of raw samples, {title}", raw, 150))
    if not panels:
        return empty(key, f"{waveform.source} has no bound channel")
    figure = _two_axes(panels, waveform, zoom_s)
    caption = _caption(waveform, clock, zoom_s, aligned=aligned)
    return Figure(key, figure, caption, caption, pd.DataFrame(rows), "; ".join(notes))


def _two_axes(panels: list[Panel], waveform: Waveform, zoom_s: tuple[float, float]) -> dict[str, Any]:
    """Panels of the whole record over one axis, those of the zoom over an axis of their own."""
    lines = [] if waveform.trigger_s is None else [(waveform.trigger_s, "trigger")]
    figure = stack(panels, axis("seconds from the first sample"), lines_at=lines)
    shown = figure["layout"]
    for number_of in range(2, len(panels) + 1, 2):
        name = f"xaxis{number_of}"
        shown[name] = axis("", {"anchor": f"y{number_of}", "range": list(zoom_s), "tickfont": {"size": 9}})
        shown[f"yaxis{number_of}"]["anchor"] = f"x{number_of}"
        for trace in figure["data"]:
            if trace["yaxis"] == f"y{number_of}":
                trace["xaxis"] = f"x{number_of}"
    for number_of in range(1, len(panels) + 1, 2):
        bottom, top = shown[f"yaxis{'' if number_of == 1 else number_of}"]["domain"]
        shown[f"yaxis{'' if number_of == 1 else number_of}"]["domain"] = [bottom, top]
    shown["xaxis"]["anchor"] = f"y{len(panels) - 1}" if len(panels) > 2 else "y"  # noqa: PLR2004 - one pair of panels
    shown["xaxis"]["title"]["text"] = ""
    last = f"xaxis{len(panels)}"
    shown[last]["title"]["text"] = "seconds from the first sample"
    return figure


def _caption(waveform: Waveform, clock: ReportTime, zoom_s: tuple[float, float], *, aligned: bool) -> str:
    where = f", taken at the {waveform.measured_at} side" if waveform.measured_at else ", side of measurement not given"
    whose = "by the reference clock" if aligned else "by the recorder's own clock, which could not be aligned"
    return (
        f"{waveform.source}{where}, primary values. Upper of each pair: the effective value (RMS) over one cycle along "
        f"the record; lower: raw samples from {number(zoom_s[0], digits=4)} to {number(zoom_s[1], digits=4)} s, "
        f"around the largest change. The first sample is at {clock.both(waveform.start_ns)} {whose}; samples every "
        f"{number(waveform.interval_s * 1000, digits=3)} ms."
    )


def _cycle(waveform: Waveform) -> int:
    """Samples of one cycle."""
    return max(round(1.0 / (waveform.line_hertz * waveform.interval_s)), 2)


def rms_over_cycle(values: Floats, cycle: int) -> Floats:
    """Effective value over the cycle that ends at each sample; NaN before the first whole one, and over a gap.

    Parameters
    ----------
    values
        Instantaneous values, shape (n,).
    cycle
        Samples of one cycle.
    """
    out = np.full(len(values), np.nan)
    if len(values) < cycle:
        return out
    squares = np.concatenate(([0.0], np.cumsum(np.where(np.isfinite(values), values, 0.0) ** 2)))
    missing = np.concatenate(([0], np.cumsum(~np.isfinite(values))))
    whole = missing[cycle:] == missing[:-cycle]
    out[cycle - 1 :] = np.where(whole, np.sqrt(np.maximum(squares[cycle:] - squares[:-cycle], 0.0) / cycle), np.nan)
    return out


def zoom_span(waveform: Waveform) -> tuple[float, float]:
    """Three cycles around the largest change of any channel's effective value, as seconds from the first sample."""
    cycle = _cycle(waveform)
    half_s = ZOOM_CYCLES / 2.0 / waveform.line_hertz
    best, at_s = 0.0, float(waveform.time_s[len(waveform.time_s) // 2])
    for values in waveform.analog.values():
        rms = rms_over_cycle(np.asarray(values, np.float64), cycle)
        change = np.abs(rms[cycle:] - rms[:-cycle])
        largest = float(np.nanmax(rms, initial=0.0))
        if largest > 0.0 and np.isfinite(change).any():
            place = int(np.nanargmax(change))
            if change[place] / largest > best:
                best, at_s = float(change[place] / largest), float(waveform.time_s[place + cycle // 2])
    first, last = float(waveform.time_s[0]), float(waveform.time_s[-1])
    low = min(max(at_s - half_s, first), max(last - 2.0 * half_s, first))
    return low, min(low + 2.0 * half_s, last)


def _trace(seconds: Floats, values: Floats, role: Role, place: int) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": label(role_words(role)),
        "x": packed(seconds.astype(np.float32)),
        "y": packed(values.astype(np.float32)),
        "line": series_style(place, width=1.2),
        "hovertemplate": "%{y:.5g}<br>%{x:.6g} s<extra>%{fullData.name}</extra>",
    }


def _rms_trace(waveform: Waveform, role: Role, place: int) -> tuple[dict[str, Any], str]:
    values = rms_over_cycle(np.asarray(waveform.analog[role], np.float64), _cycle(waveform))
    good = np.isfinite(values)
    seconds, values = waveform.time_s[good], values[good]
    chosen = thin(np.round(seconds * NS).astype(np.int64), values, np.zeros(0, np.int64), most=MOST_POINTS)
    return _trace(seconds[chosen.index], values[chosen.index], role, place), chosen.note


def _raw_trace(waveform: Waveform, role: Role, place: int, zoom_s: tuple[float, float]) -> dict[str, Any]:
    inside = (waveform.time_s >= zoom_s[0]) & (waveform.time_s <= zoom_s[1])
    return _trace(waveform.time_s[inside], np.asarray(waveform.analog[role], np.float64)[inside], role, place)


def _row(waveform: Waveform, role: Role, title: str) -> dict[str, str]:
    values = np.asarray(waveform.analog[role], np.float64)
    known = values[np.isfinite(values)]
    rms = float(np.sqrt(np.mean(known**2))) if len(known) else None
    return {
        "channel": role_words(role),
        "column": waveform.columns.get(role, ""),
        "quantity": title,
        "samples": str(len(values)),
        "without value": str(len(values) - len(known)),
        "lowest": number(float(known.min()) if len(known) else None),
        "highest": number(float(known.max()) if len(known) else None),
        "RMS over the record": number(rms),
    }
