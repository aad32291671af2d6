"""Events of one kind laid over each other: seconds from the event, own history as a band, the last one on top."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS, Samples
from forensics.report.figures.figure import BLACK, BLUE, label, packed

GRID_POINTS = 121
FEWEST_FOR_BAND = 5
LOW_SHARE, HIGH_SHARE = 10.0, 90.0
AGE_INTERVALS = 3.0
MOST_LINES = 12
FEW_POINTS = 70
HISTORY = "#7d97a8"
_BAND_FILL = "rgba(11,79,138,0.16)"


@dataclass(frozen=True)
class Curve:
    """A quantity around events.

    Attributes
    ----------
    seconds
        Seconds from the event, shape (g,).
    values
        One row an event, shape (e, g); NaN where no reading is young enough.
    """

    seconds: NDArray[np.float64]
    values: NDArray[np.float64]


def around(
    plus: Samples, anchors_ns: Sequence[int], before_s: float, after_s: float, *, minus: Samples | None = None
) -> Curve:
    """Readings around events, each the last at or before its place on a common grid; a grid exists only to draw.

    Parameters
    ----------
    minus
        Taken off, where a difference is drawn.
    """
    slowest_s = max(p.interval_s for p in (plus, minus) if p is not None)
    step_s = max((before_s + after_s) / (GRID_POINTS - 1), min(slowest_s, after_s))
    seconds = np.arange(-before_s, after_s + step_s / 2, step_s)
    times = np.asarray(anchors_ns, np.int64)[:, None] + np.round(seconds * NS).astype(np.int64)[None, :]
    values = _at(plus, times)
    if minus is not None:
        values = values - _at(minus, times)
    return Curve(seconds, values)


def _at(samples: Samples, times: NDArray[np.int64]) -> NDArray[np.float64]:
    age_s = samples.interval_s * AGE_INTERVALS if np.isfinite(samples.interval_s) else None
    if samples.origin.hold_s is not None or samples.origin.recorded.value == "change":
        age_s = samples.origin.hold_s
    return samples.at(times.ravel(), age_s).reshape(times.shape)


def band(curve: Curve, *, name: str) -> list[dict[str, Any]]:
    """The middle eight tenths of the events as a filled band with its median; nothing for fewer than five events."""
    known = np.isfinite(curve.values).sum(axis=0) >= FEWEST_FOR_BAND
    if not known.any():
        return []
    x = curve.seconds[known]
    low, middle, high = np.nanpercentile(curve.values[:, known], (LOW_SHARE, 50.0, HIGH_SHARE), axis=0)
    edge: dict[str, Any] = {"type": "scatter", "mode": "lines", "hoverinfo": "skip", "showlegend": False}
    edge["line"] = {"color": HISTORY, "width": 0.6}
    return [
        edge | {"x": _small(x), "y": _small(low), "name": ""},
        edge | {"x": _small(x), "y": _small(high), "name": "", "fill": "tonexty", "fillcolor": _BAND_FILL},
        {
            "type": "scatter",
            "mode": "lines",
            "name": label(name),
            "x": _small(x),
            "y": _small(middle),
            "line": {"color": BLUE, "width": 1.2, "dash": "dash"},
            "hovertemplate": "%{x:.3g} s: %{y:.4g}<extra>%{fullData.name}</extra>",
        },
    ]


def each(curve: Curve, *, name: str, most: int = MOST_LINES, colour: str = HISTORY) -> dict[str, Any]:
    """Every event as a thin line; where they are many, ``most`` spread evenly over all."""
    count = len(curve.values)
    rows = np.unique(np.linspace(0, count - 1, min(count, most)).astype(int)) if count else np.zeros(0, int)
    x = np.tile(np.append(curve.seconds, np.nan), len(rows))
    y = np.column_stack((curve.values[rows], np.full(len(rows), np.nan))).ravel()
    return {
        "type": "scatter",
        "mode": "lines",
        "name": label(name),
        "x": _small(x),
        "y": _small(y),
        "line": {"color": colour, "width": 0.8},
        "connectgaps": False,
        "hovertemplate": "%{x:.3g} s: %{y:.4g}<extra>%{fullData.name}</extra>",
    }


def single(
    plus: Samples,
    anchor_ns: int,
    before_s: float,
    after_s: float,
    *,
    name: str,
    factor: float,
    offset: float,
    minus: Samples | None = None,
) -> dict[str, Any] | None:
    """One event by its own readings, not on a grid; a difference is taken where the first point has a reading."""
    cut = plus.between(anchor_ns - round(before_s * NS), anchor_ns + round(after_s * NS)).usable
    values = cut.v
    if minus is not None and len(cut):
        values = values - _at(minus, cut.t)
    good = np.isfinite(values)
    if not good.any():
        return None
    return {
        "type": "scatter",
        "mode": "lines+markers" if int(good.sum()) <= FEW_POINTS else "lines",
        "name": label(name),
        "x": _small((cut.t[good] - anchor_ns) / NS),
        "y": _small(values[good] * factor + offset),
        "line": {"color": BLACK, "width": 1.8},
        "marker": {"color": BLACK, "size": 4},
        "connectgaps": False,
        "hovertemplate": "%{x:.4g} s: %{y:.5g}<extra>%{fullData.name}</extra>",
    }


def _small(values: NDArray[np.float64]) -> dict[str, str]:
    return packed(np.asarray(values, np.float32))
