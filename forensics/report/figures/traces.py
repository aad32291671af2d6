"""Samples and switches as drawn lines: gaps are gaps, units are those of the case, names are escaped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS, Samples, Span
from forensics.model.record import Record
from forensics.model.vocabulary import Recorded, Role
from forensics.report.figures.downsample import MOST_POINTS, Thinned, thin
from forensics.report.figures.figure import label, packed, series_style
from forensics.report.words.units import ReportTime, number, role_words, shown_role

GAP_INTERVALS = 3.0
FEW_POINTS = 120
FEW_LINES = 2
_MOST_COVERED = 0.9


@dataclass(frozen=True)
class Drawn:
    """One drawn line, how many readings it has and how many are drawn, and its row in the table behind the figure."""

    trace: dict[str, Any]
    readings: int
    points: int
    note: str
    row: dict[str, str]
    peak: tuple[float, float] = (0.0, 0.0)
    last: tuple[float, float] = (0.0, 0.0)


def covering(record: Record, role: Role, span: Span) -> Samples | None:
    """The finest source of a quantity among those that cover most of a span: one trace a quantity."""
    covered = []
    for point in record.samples.get(role, ()):
        usable = point.between(span.start_ns, span.end_ns).usable
        if len(usable):
            longest_s = GAP_INTERVALS * point.interval_s if np.isfinite(point.interval_s) else np.inf
            held_s = np.minimum(np.diff(usable.t) / NS, longest_s).sum() if len(usable) > 1 else 0.0
            covered.append((float(held_s), point))
    if not covered:
        return None
    most_s = max(held_s for held_s, _ in covered)
    return min((p for held_s, p in covered if held_s >= _MOST_COVERED * most_s), key=lambda p: p.interval_s)


def gap_positions(samples: Samples) -> NDArray[np.int64]:
    """Positions (among usable samples) before which the line breaks.

    A line breaks where rows without a usable reading lie between, and where the spacing is above three usual
    intervals; a log of changes breaks only where its hold limit is passed.
    """
    usable = samples.usable
    if len(usable) <= 1:
        return np.zeros(0, np.int64)
    spacing = np.diff(usable.t)
    change = samples.origin.recorded is Recorded.CHANGE
    if change:
        longest_s = np.inf if samples.origin.hold_s is None else samples.origin.hold_s
    else:
        longest_s = samples.interval_s * GAP_INTERVALS
    broken = spacing > longest_s * NS
    if not change and len(usable) < len(samples):
        row_break = np.diff(np.flatnonzero(np.isin(samples.row, usable.row))) > 1
        if len(row_break) == len(broken):
            broken = broken | row_break
    return np.flatnonzero(broken) + 1


def draw(
    samples: Samples,
    clock: ReportTime,
    display: str,
    *,
    span: Span,
    place: int,
    name: str = "",
    most: int = MOST_POINTS,
) -> Drawn | None:
    """The line of one point within a span; None where it has no usable reading there.

    Parameters
    ----------
    place
        Which series of its panel it is: gives colour and dash.
    """
    cut = samples.between(span.start_ns, span.end_ns)
    usable = cut.usable
    if not len(usable):
        return None
    shown = shown_role(samples.role, display)
    values = shown.array(usable.v)
    chosen = thin(usable.t, values, gap_positions(cut), most=most)
    x, y = with_breaks(clock.axis_ms(usable.t[chosen.index]), values[chosen.index], chosen.breaks)
    title = name or role_words(samples.role)
    few = len(x) <= FEW_POINTS
    trace = {
        "type": "scatter",
        "mode": "lines+markers" if few or _lonely(chosen) else "lines",
        "name": label(title),
        "x": packed(x),
        "y": packed(y.astype(np.float32)),
        "line": series_style(place) | {"shape": "hv" if samples.origin.recorded is Recorded.CHANGE else "linear"},
        "marker": {"size": 4 if few else 3, "color": series_style(place)["color"]},
        "connectgaps": False,
        "hovertemplate": f"%{{y:.5g}} {label(shown.text)}<br>%{{x}}<extra>%{{fullData.name}}</extra>",
    }
    row = _row(title, cut, shown.text, values, clock) | {"drawn points": str(len(chosen.index))}
    high = int(np.argmax(values))
    at = clock.axis_ms(usable.t[[high, -1]])
    peak, last = (float(at[0]), float(values[high])), (float(at[1]), float(values[-1]))
    return Drawn(
        trace=trace, readings=chosen.of, points=len(chosen.index), note=chosen.note, row=row, peak=peak, last=last
    )


def _lonely(chosen: Thinned) -> bool:
    breaks = np.concatenate(([0], chosen.breaks, [len(chosen.index)]))
    return bool((np.diff(breaks) == 1).any())


def with_breaks(
    x: NDArray[np.float64], y: NDArray[np.float64], breaks: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Put a NaN before each break, so that nothing is drawn across a gap."""
    if not len(breaks):
        return x, y
    return np.insert(x, breaks, x[breaks]), np.insert(y, breaks, np.nan)


def _row(title: str, samples: Samples, unit: str, values: NDArray[np.float64], clock: ReportTime) -> dict[str, str]:
    usable = samples.usable
    low, high = int(np.argmin(values)), int(np.argmax(values))
    return {
        "series": title,
        "column": samples.origin.column,
        "source": samples.origin.source,
        "unit": unit,
        "recorded as": samples.origin.recorded.value,
        "usual interval, s": number(samples.interval_s, digits=3),
        "readings": str(len(usable)),
        "without reading": str(len(samples) - len(usable)),
        "first": clock.text(int(usable.t[0])),
        "last": clock.text(int(usable.t[-1])),
        "lowest": number(float(values[low])),
        "lowest at": clock.text(int(usable.t[low])),
        "highest": number(float(values[high])),
        "highest at": clock.text(int(usable.t[high])),
    }


def thinning_words(drawn: Sequence[Drawn]) -> str:
    """What was thinned, in few words; each line's own numbers stand in the table behind the figure."""
    thinned = [d for d in drawn if d.points < d.readings]
    if not thinned:
        return "every reading is drawn" if drawn else ""
    if len(thinned) <= FEW_LINES:
        words = [f"{d.row['series']}: {d.note}" for d in thinned]
    else:
        least, most = min(d.readings for d in thinned), max(d.readings for d in thinned)
        count = str(most) if least == most else f"{least} to {most}"
        points = max(d.points for d in thinned)
        words = [
            f"{len(thinned)} lines of {count} readings, drawn as at most {points} points each, minimum and maximum kept"
        ]
    whole = len(drawn) - len(thinned)
    return "; ".join([*words, *([f"{whole} lines have every reading drawn"] if whole else [])])


def bars(
    spans: Sequence[Span], row: str, clock: ReportTime, style: Mapping[str, Any], *, name: str, most: int = MOST_POINTS
) -> dict[str, Any]:
    """Spans as thick strokes on one row of a lane axis; where they are too many, neighbours melt together."""
    kept = merge_close(spans, most // 3)
    x: list[float | None] = []
    y: list[str | None] = []
    for span in kept:
        begin, end = clock.axis_ms(np.array([span.start_ns, span.end_ns], np.int64))
        x += [float(begin), float(end), None]
        y += [row, row, None]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": label(name),
        "x": x,
        "y": y,
        "line": dict(style),
        "showlegend": False,
        "hovertemplate": f"{label(name)}<br>%{{x}}<extra></extra>",
    }


def merge_close(spans: Sequence[Span], most: int) -> list[Span]:
    """At most ``most`` spans: the narrowest gaps between neighbours are closed first."""
    if len(spans) <= most:
        return list(spans)
    gaps = np.array([b.start_ns - a.end_ns for a, b in pairwise(spans)])
    widest = np.sort(np.argsort(gaps, kind="stable")[::-1][: most - 1])
    firsts = np.concatenate(([0], widest + 1))
    lasts = np.concatenate((widest, [len(spans) - 1]))
    return [Span(spans[a].start_ns, spans[b].end_ns) for a, b in zip(firsts, lasts, strict=True)]
