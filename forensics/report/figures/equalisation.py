"""The equalisation of the pressures after the stop at the failure: readings, fitted curve, residuals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forensics.model.findings import Stop
from forensics.model.points import NS, OFF, Samples
from forensics.model.record import Record
from forensics.model.vocabulary import Role
from forensics.report.figures.cycles import stop_at_failure
from forensics.report.figures.figure import BLUE, GREY, VERMILION, Figure, axis, empty, packed
from forensics.report.figures.panels import Panel, stack
from forensics.report.units import ReportTime, number, shown_unit

LONGEST_S = 180.0
BYPASS_BEFORE_S = 60.0
_CURVE_POINTS = 120
_FEWEST = 4


def equalisation(record: Record, stops: Sequence[Stop], display: str, clock: ReportTime) -> Figure:
    """Discharge less suction pressure after the stop with the exponential of the fitted time constant.

    The time constant is the stop's own; height and remaining difference of the drawn curve follow from it by least
    squares over the readings drawn, so that the residuals show how well that one constant describes them.
    """
    key = "stop-equalisation"
    stop = stop_at_failure(stops, record.failure_ns)
    high, low = record.point(Role.DISCHARGE_PRESSURE), record.point(Role.SUCTION_PRESSURE)
    if stop is None or high is None or low is None:
        return empty(key, "the stop, the discharge pressure or the suction pressure is not there")
    if stop.equal_at_motor_off:
        return empty(key, "the pressures were equal already when the motor stopped: nothing to fit")
    if stop.equalisation_time_constant_s is None:
        why = stop.why_not.get("equalisation_time_constant_s") or "no time constant could be fitted to this stop"
        return empty(key, why)
    begin_ns = _begin_ns(record, stop)
    seconds, difference = _difference(high, low, begin_ns)
    if len(seconds) < _FEWEST:
        return empty(key, "too few readings after the stop")
    shown = shown_unit("kPa", display)
    tau_s = stop.equalisation_time_constant_s
    height, rest = _fitted(seconds, difference, tau_s)
    curve_s = np.linspace(0.0, float(seconds[-1]), _CURVE_POINTS)
    model = height * np.exp(-seconds / tau_s) + rest
    panels = _panels(
        seconds, difference, model, curve_s, height * np.exp(-curve_s / tau_s) + rest, shown.factor, shown.text
    )
    figure = stack(panels, axis("seconds from where the pressures may begin to come together", {"rangemode": "tozero"}))
    error = (
        ""
        if stop.equalisation_error_s is None
        else f" ± {number(stop.equalisation_error_s, digits=2)} (standard error)"
    )
    residual = float(np.sqrt(np.mean((difference - model) ** 2))) * shown.factor
    caption = (
        f"Discharge less suction pressure after the stop of {clock.text(stop.time_ns)}, {shown.text}. Curve: "
        "exponential "
        f"with the fitted time constant {number(tau_s, digits=3)} s{error}. Below: reading less curve, root "
        "mean square "
        f"{number(residual, digits=2)} {shown.text}. {len(seconds)} readings, all drawn."
    )
    table = pd.DataFrame(
        {
            "s": [number(v) for v in seconds],
            f"difference, {shown.text}": [shown.number(float(v)) for v in difference],
            f"curve, {shown.text}": [shown.number(float(v)) for v in model],
            f"residual, {shown.text}": [shown.number(float(v)) for v in difference - model],
        }
    )
    return Figure(key, figure, caption, caption, table)


def _begin_ns(record: Record, stop: Stop) -> int:
    """The earlier of the bypass edge and the end of current."""
    bypass = record.switch(Role.BYPASS_SOLENOID)
    if bypass is None:
        return stop.time_ns
    edges = [
        e.latest_ns for e in bypass.edges if e.to == OFF and 0 <= stop.time_ns - e.latest_ns <= BYPASS_BEFORE_S * NS
    ]
    return edges[-1] if edges else stop.time_ns


def _difference(high: Samples, low: Samples, begin_ns: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    cut = high.between(begin_ns, begin_ns + round(LONGEST_S * NS)).usable
    other = low.at(cut.t, 3 * low.interval_s)
    good = np.isfinite(other)
    return (cut.t[good] - begin_ns) / NS, cut.v[good] - other[good]


def _fitted(seconds: NDArray[np.float64], difference: NDArray[np.float64], tau_s: float) -> tuple[float, float]:
    basis = np.column_stack((np.exp(-seconds / tau_s), np.ones_like(seconds)))
    height, rest = np.linalg.lstsq(basis, difference, rcond=None)[0]
    return float(height), float(rest)


def _panels(
    seconds: NDArray[np.float64],
    difference: NDArray[np.float64],
    model: NDArray[np.float64],
    curve_s: NDArray[np.float64],
    curve: NDArray[np.float64],
    factor: float,
    unit: str,
) -> list[Panel]:
    dots = {"color": BLUE, "size": 6, "symbol": "circle"}
    readings = {
        "type": "scatter",
        "mode": "markers",
        "name": "readings",
        "x": packed(seconds.astype(np.float32)),
        "y": packed((difference * factor).astype(np.float32)),
        "marker": dots,
    }
    line = {
        "type": "scatter",
        "mode": "lines",
        "name": "exponential of the fitted time constant",
        "x": packed(curve_s.astype(np.float32)),
        "y": packed((curve * factor).astype(np.float32)),
        "line": {"color": VERMILION, "width": 1.6, "dash": "dash"},
    }
    left = {
        "type": "bar",
        "name": "",
        "x": packed(seconds.astype(np.float32)),
        "y": packed(((difference - model) * factor).astype(np.float32)),
        "marker": {"color": GREY},
    }
    return [Panel(f"difference, {unit}", [readings, line], 240), Panel(f"residual, {unit}", [left], 110)]
