"""Stories of one start or stop: this one in black over the machine's own healthy ones in grey."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from forensics.investigation import Investigation
from forensics.model.points import NS
from forensics.report.figures.cycles import start_at_failure, stop_at_failure
from forensics.report.healthy import LOADED_STOP, healthy_start, healthy_stop
from forensics.report.stories.quantities import Quantity, quantity, runs_between
from forensics.report.svg import elements as svg
from forensics.report.svg.multiples import Multiple, Note, Series
from forensics.report.words.units import readable

BEFORE_S, AFTER_S = 5.0, 60.0
SLOWEST_S = 5.0
MOST_LINES = 10
_LINE_POINTS = 150
BACKWARDS_SHARE = 0.05
SETTLING_S = 10.0
_GRID_S = np.arange(0.0, AFTER_S, 0.5)


def cycle_panels(work: Investigation, kind: str, names: Sequence[str], display: str) -> list[Multiple]:
    """A panel for each quantity that is sampled fast enough; nothing where no start or stop was found."""
    own, healthy, bad = _chosen(work, kind)
    if own is None:
        return []
    panels = []
    for name in names:
        one = quantity(work.record, name, display)
        if one is None or one.samples.interval_s > SLOWEST_S:
            continue
        panel = _panel(one, own, healthy, bad, kind)
        if panel is not None:
            panels.append(panel)
    return panels


def _chosen(work: Investigation, kind: str) -> tuple[int | None, list[int], list[int]]:
    """Time of this start or stop, of the healthy ones before it, and of the others before it."""
    failure_ns = work.record.failure_ns
    if kind == "start":
        own = start_at_failure(work.starts, failure_ns)
        before = [] if own is None else [(s.time_ns, healthy_start(s)) for s in work.starts if s.time_ns < own.time_ns]
        at = None if own is None else own.time_ns
    else:
        loaded = work.limits[LOADED_STOP]
        last = stop_at_failure(work.stops, failure_ns)
        before = (
            []
            if last is None
            else [(s.time_ns, healthy_stop(s, loaded)) for s in work.stops if s.time_ns < last.time_ns]
        )
        at = None if last is None else last.time_ns
    return at, [t for t, good in before if good], [t for t, good in before if not good]


def _panel(one: Quantity, own_ns: int, healthy: Sequence[int], bad: Sequence[int], kind: str) -> Multiple | None:
    own = _runs(one, own_ns)
    if not own:
        return None
    usual = {t: runs for t in healthy if (runs := _runs(one, t))}
    others = {t: runs for t in bad if (runs := _runs(one, t))}
    series = [Series(r, colour="#9a9a94", width=0.8) for r in _spread(list(usual.values()))]
    series += [Series(r, colour=svg.ALERT, width=0.7) for r in _spread(list(others.values()))]
    if usual:
        series[0] = Series(series[0].runs, colour=svg.GREY, width=0.8, end=f"{len(usual)} healthy {kind}s")
    if others:
        n = min(len(usual), MOST_LINES)
        series[n] = Series(series[n].runs, colour=svg.ALERT, width=0.7, end=f"{len(others)} other {kind}s")
    series.append(Series(own, colour=svg.INK, width=2.0, end=f"this {kind}"))
    after_s = SETTLING_S if kind == "stop" else 0.0
    return Multiple(one.title, series, notes=_note(one, own, list(usual.values()), after_s=after_s))


def _runs(one: Quantity, at_ns: int) -> list[list[tuple[float, float]]]:
    start_ns, end_ns = at_ns - round(BEFORE_S * NS), at_ns + round(AFTER_S * NS)
    return runs_between(one, start_ns, end_ns, zero_ns=at_ns, most=_LINE_POINTS)


def _spread(lines: list[list[list[tuple[float, float]]]]) -> list[list[list[tuple[float, float]]]]:
    """At most ten of many lines, spread evenly over all."""
    if len(lines) <= MOST_LINES:
        return lines
    return [lines[i] for i in np.linspace(0, len(lines) - 1, MOST_LINES).astype(int)]


def _note(
    one: Quantity,
    own: list[list[tuple[float, float]]],
    usual: list[list[list[tuple[float, float]]]],
    *,
    after_s: float,
) -> list[Note]:
    """The reading of this start or stop that lies furthest from the median of the healthy ones, told beside it.

    Where it goes below zero as the healthy ones do not, the lowest reading is the story. At a stop the first
    seconds are left out: they differ with the load that the machine carried, not with how it came to rest.
    """
    points = [p for run in own for p in run if p[0] >= 0]
    if not points:
        return []
    unit = one.shown.text
    if not usual:
        x, y = max(points, key=lambda p: abs(p[1]))
        return [Note(x, y, f"{readable(y)} {unit} at {x:.0f} s".replace("  ", " "))]
    grid = np.array([_on_grid(line) for line in usual])
    middle = np.nanmedian(np.where(np.isfinite(grid).any(axis=0), grid, 0.0), axis=0)
    lowest = min(points, key=lambda p: p[1])
    if lowest[1] < -BACKWARDS_SHARE * max(abs(y) for _, y in points) and middle.min() > lowest[1] / 2.0:
        return [Note(*lowest, f"lowest {readable(lowest[1])} {unit} at {lowest[0]:.0f} s".replace("  ", " "))]
    late = [p for p in points if p[0] >= after_s] or points
    apart = [(abs(y - float(np.interp(x, _GRID_S, middle))), x, y) for x, y in late]
    _, x, y = max(apart)
    other = float(np.interp(x, _GRID_S, middle))
    return [Note(x, y, f"{readable(y)} {unit} at {x:.0f} s, usual {readable(other)}".replace("  ", " "))]


def _on_grid(line: list[list[tuple[float, float]]]) -> NDArray[np.float64]:
    points = [p for run in line for p in run]
    x, y = (np.array(v) for v in zip(*points, strict=True))
    return np.asarray(np.interp(_GRID_S, x, y), np.float64)
