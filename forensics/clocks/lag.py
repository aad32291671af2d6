"""Lag between two trends of one quantity, where two clocks share no events."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS, Samples
from forensics.model.record import Record
from forensics.model.vocabulary import Role
from forensics.rules import Limits


def lag_of(
    a: NDArray[np.float64], b: NDArray[np.float64], largest: int, *, rival: float = 1.0, hill: float = 0.5
) -> tuple[float, float] | None:
    """Lag of ``a`` behind ``b`` in samples, and the normalised correlation there.

    The peak is refined by a parabola through its neighbours (closed form). None where a second peak, apart from the
    first, reaches ``rival`` of it, or where either series does not vary.

    Parameters
    ----------
    a, b
        Equally spaced, same shape (n,).
    largest
        Largest lag looked for, samples.
    hill
        Where the hill of the first peak ends, as a part of its height.
    """
    from scipy.signal import correlate

    a, b = a - a.mean(), b - b.mean()
    scale = float(np.sqrt(np.sum(a * a) * np.sum(b * b)))
    if scale <= 0:
        return None
    full = correlate(a, b, mode="full", method="auto") / scale
    zero = len(b) - 1
    low, high = max(zero - largest, 0), min(zero + largest + 1, len(full))
    window = full[low:high]
    peak = int(np.argmax(window))
    best = float(window[peak])
    if rival < 1.0 and _second(window, peak, hill) >= rival * best:
        return None
    return float(peak + low - zero) + parabola_top(window, peak), best


def _second(window: NDArray[np.float64], peak: int, hill: float) -> float:
    """Highest local maximum that is not part of the first peak's hill."""
    inner = window[1:-1]
    tops = np.flatnonzero((inner >= window[:-2]) & (inner > window[2:])) + 1
    left = peak - int(np.argmax(window[peak::-1] < hill * window[peak]))
    right = peak + int(np.argmax(window[peak:] < hill * window[peak]))
    others = [float(window[i]) for i in tops if i < left or i > right]
    return max(others, default=0.0)


def parabola_top(values: NDArray[np.float64], peak: int) -> float:
    """Sub-sample offset of a peak from three points: 0.5 (y- - y+) / (y- - 2 y0 + y+)."""
    if peak in (0, len(values) - 1):
        return 0.0
    before, top, after = (float(v) for v in values[peak - 1 : peak + 2])
    curve = before - 2.0 * top + after
    return 0.0 if curve == 0 else 0.5 * (before - after) / curve


def correlate_clocks(record: Record, clock: str, reference: str, limits: Limits) -> tuple[float, float] | None:
    """Offset (s) of a clock by the quantity that both logged best, with its half width; None where none places it."""
    best: tuple[float, float, float] | None = None
    fewest, most = limits["clocks.correlation_samples_min"], limits["clocks.correlation_samples_max"]
    for mine, theirs in _shared(record, clock, reference):
        step_s = max(mine.interval_s, theirs.interval_s)
        low = max(int(mine.t[0]), int(theirs.t[0])) - round(limits["clocks.search_s"] * NS)
        high = min(int(mine.t[-1]), int(theirs.t[-1])) + round(limits["clocks.search_s"] * NS)
        count = int((high - low) / (step_s * NS))
        if not fewest <= count <= most:
            continue
        grid = low + (np.arange(count) * step_s * NS).astype(np.int64)
        ours, others = mine.at(grid), theirs.at(grid)
        if not (np.isfinite(ours).any() and np.isfinite(others).any()):
            continue
        a, b = _filled(ours), _filled(others)
        answer = lag_of(
            a,
            b,
            int(limits["clocks.search_s"] / step_s),
            rival=limits["clocks.correlation_rival"],
            hill=limits["clocks.correlation_hill"],
        )
        if answer is None or answer[1] < limits["clocks.correlation_min"]:
            continue
        if best is None or answer[1] > best[2]:
            best = (answer[0] * step_s, mine.interval_s + theirs.interval_s, answer[1])
    return None if best is None else (best[0], best[1])


def _shared(record: Record, clock: str, reference: str) -> list[tuple[Samples, Samples]]:
    found = []
    for role, points in record.samples.items():
        mine = [p for p in points if p.origin.clock == clock and len(p.usable)]
        theirs = [p for p in points if p.origin.clock == reference and len(p.usable)]
        if mine and theirs and role is not Role.START_COUNT:
            found.append((mine[0].usable, theirs[0].usable))
    return found


def _filled(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(np.isfinite(values), values, np.nanmean(values))
