"""Waveform records: voltages and currents sample by sample around the trigger."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from forensics.model.points import NS
from forensics.model.record import Waveform
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role
from forensics.report.figures.downsample import thin
from forensics.report.figures.figure import Figure, axis, empty, label, packed, series_style
from forensics.report.figures.panels import Panel, stack
from forensics.report.units import ReportTime, number, role_words

MOST_POINTS = 3000
_PANELS = ((Dimension.VOLTAGE, "voltage, V"), (Dimension.CURRENT, "current, A"))


def waveform_plate(waveform: Waveform, number_of: int, clock: ReportTime) -> Figure:
    """All channels of one record, instantaneous primary values.

    Parameters
    ----------
    number_of
        Which record it is, from 1: part of the key.
    """
    key = f"waveform-{number_of}"
    panels, rows, notes = [], [], []
    for dimension, title in _PANELS:
        roles = [role for role in waveform.analog if ROLE_FACTS[role].dimension is dimension]
        traces = []
        for place, role in enumerate(roles):
            trace, note = _trace(waveform, role, place)
            traces.append(trace)
            notes.append(f"{role_words(role)}: {note}")
            rows.append(_row(waveform, role, title))
        if traces:
            panels.append(Panel(title, traces, 220))
    if not panels:
        return empty(key, f"{waveform.source} has no bound channel")
    lines = [] if waveform.trigger_s is None else [(waveform.trigger_s, "trigger")]
    figure = stack(panels, axis("seconds from the first sample"), lines_at=lines)
    begin = clock.both(waveform.start_ns)
    where = f", taken at the {waveform.measured_at} side" if waveform.measured_at else ", side of measurement not given"
    caption = (
        f"{waveform.source}{where}: instantaneous primary values. The first sample is at {begin} by the "
        "reference clock; "
        f"samples every {number(waveform.interval_s * 1000, digits=3)} ms."
    )
    return Figure(key, figure, caption, caption, pd.DataFrame(rows), "; ".join(notes))


def _trace(waveform: Waveform, role: Role, place: int) -> tuple[dict[str, Any], str]:
    values = np.asarray(waveform.analog[role], np.float64)
    good = np.isfinite(values)
    seconds, values = waveform.time_s[good], values[good]
    time_ns = np.round(seconds * NS).astype(np.int64)
    chosen = thin(time_ns, values, np.zeros(0, np.int64), most=MOST_POINTS)
    trace = {
        "type": "scatter",
        "mode": "lines",
        "name": label(role_words(role)),
        "x": packed(seconds[chosen.index].astype(np.float32)),
        "y": packed(values[chosen.index].astype(np.float32)),
        "line": series_style(place, width=1.0),
        "hovertemplate": "%{y:.5g}<br>%{x:.6g} s<extra>%{fullData.name}</extra>",
    }
    return trace, chosen.note


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
