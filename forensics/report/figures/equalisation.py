"""The equalisation of the pressures after the stop at the failure: readings, fitted curve, residuals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forensics.machine.stops.coastdown_model import pressure_after
from forensics.model.findings import Stop
from forensics.model.points import NS, OFF, Samples
from forensics.model.record import Record
from forensics.model.vocabulary import Role
from forensics.report.figures.cycles import stop_at_failure
from forensics.report.figures.figure import BLUE, GREY, VERMILION, Figure, axis, empty, packed
from forensics.report.figures.panels import Panel, stack
from forensics.report.words.units import ReportTime, number, shown_unit

Floats = NDArray[np.float64]
LONGEST_S = 180.0
_LONGEST_HOLD_S = 15.0
_CONDUCTANCES = np.geomspace(0.003, 30.0, 60)  # 1/s: from clearances of a large volume to a wide valve on a small one
BYPASS_BEFORE_S = 60.0
_CURVE_POINTS = 120
_FEWEST = 4


def equalisation(record: Record, stops: Sequence[Stop], display: str, clock: ReportTime) -> Figure:
    """Discharge less suction pressure after the stop, with the fall through the one opening that fits best.

    The curve is that of a volume that empties through an orifice (square-root law, choked at first): it keeps its
    height for a while and then falls with the conductance that brings it closest to the readings drawn, so that the
    residuals show what one opening does not explain: rotors that feed it, a leak, gas that left past turning rotors.
    """
    key = "stop-equalisation"
    stop = stop_at_failure(stops, record.failure_ns)
    high, low = record.fastest(Role.DISCHARGE_PRESSURE), record.fastest(Role.SUCTION_PRESSURE)
    if stop is None or high is None or low is None:
        return empty(key, "the stop, the discharge pressure or the suction pressure is not there")
    if stop.equal_at_motor_off:
        return empty(key, "the pressures were equal already when the motor stopped: nothing to fit")
    readings = readings_after(high, low, _begin_ns(record, stop))
    if readings is None:
        return empty(key, "too few readings after the stop, or too small a difference, to draw a fall")
    fitted = fitted_fall(readings)
    shown = shown_unit("kPa", display)
    curve_s = np.linspace(0.0, float(readings.seconds[-1]), _CURVE_POINTS)
    model = fitted.at(readings.seconds)
    panels = _panels(readings, model, (curve_s, fitted.at(curve_s)), shown.factor, shown.text)
    figure = stack(panels, axis("seconds from where the pressures may begin to come together", {"rangemode": "tozero"}))
    left = readings.difference - model
    residual = float(np.sqrt(np.mean(left**2))) * shown.factor
    caption = (
        f"Discharge less suction pressure after the stop of {clock.text(stop.time_ns)}, {shown.text}. Curve: fall "
        f"through one opening (square-root law) from {number(fitted.hold_s, digits=2)} s on, conductance "
        f"{number(fitted.conductance_per_s, digits=2)} 1/s. {_time_words(stop)} Below: reading less curve, root mean "
        f"square {number(residual, digits=2)} {shown.text}. {len(readings.seconds)} readings, all drawn."
    )
    table = pd.DataFrame(
        {
            "s": [number(v) for v in readings.seconds],
            f"difference, {shown.text}": [shown.number(float(v)) for v in readings.difference],
            f"curve, {shown.text}": [shown.number(float(v)) for v in model],
            f"residual, {shown.text}": [shown.number(float(v)) for v in left],
        }
    )
    return Figure(key, figure, caption, caption, table)


def _time_words(stop: Stop) -> str:
    """The time to 1/e of the stop, or the bound that is known of it."""
    bounds = stop.equalisation_s
    if bounds is None:
        return ""
    if bounds.censored:
        side, end = ("at most", bounds.high) if bounds.censored == "below" else ("more than", bounds.low)
        return f"It fell to 1/e in {side} {number(end, digits=2)} s."
    low, high = number(bounds.low, digits=2), number(bounds.high, digits=2)
    return f"It fell to 1/e in {number(bounds.value, digits=2)} s ({low} to {high})."


@dataclass(frozen=True, slots=True)
class _Readings:
    """Seconds, differences and suction pressures, shape (n,); the difference at the begin is the first reading's."""

    seconds: Floats
    difference: Floats
    suction: Floats


@dataclass(frozen=True, slots=True)
class _Fall:
    """A difference that stays for a while and then leaves through one opening."""

    height_kpa: float
    suction_kpa: float
    hold_s: float
    conductance_per_s: float

    def at(self, seconds: Floats) -> Floats:
        """Difference at times, kPa."""
        since = np.maximum(seconds - self.hold_s, 0.0)
        start, sink = np.asarray(self.suction_kpa + self.height_kpa), np.asarray(self.suction_kpa)
        return pressure_after(start, sink, np.asarray(self.conductance_per_s), since) - self.suction_kpa


def fitted_fall(readings: _Readings) -> _Fall:
    """The hold and conductance, of a grid of both, that leave the least squares."""
    height, suction = float(readings.difference[0]), float(np.median(readings.suction))
    holds = np.unique(np.append(0.0, readings.seconds[readings.seconds <= _LONGEST_HOLD_S]))
    found = [_Fall(height, suction, float(hold), float(wide)) for hold in holds for wide in _CONDUCTANCES]
    return min(found, key=lambda fall: float(np.sum((readings.difference - fall.at(readings.seconds)) ** 2)))


def _begin_ns(record: Record, stop: Stop) -> int:
    """The earlier of the bypass edge and the end of current."""
    bypass = record.fastest_switch(Role.BYPASS_SOLENOID)
    if bypass is None:
        return stop.time_ns
    edges = [
        e.latest_ns for e in bypass.edges if e.to == OFF and 0 <= stop.time_ns - e.latest_ns <= BYPASS_BEFORE_S * NS
    ]
    return edges[-1] if edges else stop.time_ns


def readings_after(high: Samples, low: Samples, begin_ns: int) -> _Readings | None:
    """The readings that a fall can be drawn from; None where they are too few or show no difference to lose."""
    cut = high.between(begin_ns, begin_ns + round(LONGEST_S * NS)).usable
    other = low.at(cut.t, 3 * low.interval_s if np.isfinite(low.interval_s) else None)
    good = np.isfinite(other) & np.isfinite(cut.v)
    if good.sum() < _FEWEST:
        return None
    found = _Readings((cut.t[good] - begin_ns) / NS, cut.v[good] - other[good], other[good])
    able = found.difference[0] > 0.0 and np.median(found.suction) > 0.0 and found.seconds[-1] > 0.0
    return found if able else None


def _panels(readings: _Readings, model: Floats, curve: tuple[Floats, Floats], factor: float, unit: str) -> list[Panel]:
    dots = {"color": BLUE, "size": 6, "symbol": "circle"}
    drawn = {
        "type": "scatter",
        "mode": "markers",
        "name": "readings",
        "x": packed(readings.seconds.astype(np.float32)),
        "y": packed((readings.difference * factor).astype(np.float32)),
        "marker": dots,
    }
    line = {
        "type": "scatter",
        "mode": "lines",
        "name": "fall through one opening",
        "x": packed(curve[0].astype(np.float32)),
        "y": packed((curve[1] * factor).astype(np.float32)),
        "line": {"color": VERMILION, "width": 1.6, "dash": "dash"},
    }
    left = {
        "type": "bar",
        "name": "",
        "x": packed(readings.seconds.astype(np.float32)),
        "y": packed(((readings.difference - model) * factor).astype(np.float32)),
        "marker": {"color": GREY},
    }
    return [Panel(f"difference, {unit}", [drawn, line], 240), Panel(f"residual, {unit}", [left], 110)]
