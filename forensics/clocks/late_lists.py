"""The offset of a clock that stamps a list: its lines come late, and by how much is estimated with the offset.

A panel scans its inputs every few seconds and writes what it found at the end of a scan, by index: a line is stamped up
to some seconds after its event, never before it. The lateness is no offset of the clock. Both are estimated from all
shared events at once: the posterior of offset, drift and largest lateness over a grid, with each pair's likelihood the
share of the latenesses that its interval allows (Gelman et al., Bayesian Data Analysis, 3rd ed., 2013, ch. 3). What a
list is always late by can't be told from its clock; it stays part of the offset.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.clocks.event_sequences import SeenEvent
from forensics.clocks.match import Pair
from forensics.model.points import NS
from forensics.rules import Limits
from forensics.stats.slopes import median_slope

Floats = NDArray[np.float64]
PPM = 1e-6
_LATENESSES = 25
_DRIFTS = 15
_OFFSETS = 61
_CLOSER_LOOKS = 2
_FEW = 6
_HALF = 0.5
_SAME_S = 0.2
_KEPT = 1e-5
"""Share of the largest posterior below which a grid is not looked at again."""


@dataclass(frozen=True, slots=True)
class LateFit:
    """Offset at the failure, drift and largest lateness of a list, each with its 95 % interval.

    Attributes
    ----------
    offset_s, drift_ppm, latest_s
        Low, most likely and high, s, ppm and s.
    """

    offset_s: tuple[float, float, float]
    drift_ppm: tuple[float, float, float]
    latest_s: tuple[float, float, float]


def fit_late(pairs: Sequence[Pair], failure_ns: int, limits: Limits, *, ours_late: bool) -> LateFit | None:
    """Estimate offset, drift and lateness from pairs of which one side is a list; None where there is no pair.

    Parameters
    ----------
    pairs
        One list line and one event of the other clock each.
    ours_late
        Whether the list is of the clock whose offset is asked for, or of the other.
    """
    if not pairs:
        return None
    sign = 1.0 if ours_late else -1.0
    jitter_s = limits["clocks.jitter_s"]
    stamped = [_stamped(pair, ours_late=ours_late) for pair in pairs]
    low = np.array([a for a, _ in stamped]) - jitter_s
    high = np.array([b for _, b in stamped]) + jitter_s
    at_s = np.array([((p.theirs.earliest_ns + p.theirs.latest_ns) / 2.0 - failure_ns) / NS for p in pairs])
    drift_axis = _drifts(low, high, at_s, limits)
    sampled = np.array([_is_sampled(pair.theirs if ours_late else pair.ours) for pair in pairs])
    low, high, at_s, weight = _told_once((low, high, at_s), sampled, float(np.median(drift_axis)))
    offset_axis = _offsets(low, high, at_s, drift_axis, limits)
    late_axis = np.geomspace(limits["clocks.list_least_s"], limits["clocks.list_delay_s"], _LATENESSES)
    cube = _posterior((low, high, at_s, weight), offset_axis, drift_axis, late_axis, limits)
    for _ in range(_CLOSER_LOOKS):
        offset_axis = _closer(offset_axis, cube.sum(axis=(1, 2)), _OFFSETS)
        drift_axis = _closer(drift_axis, cube.sum(axis=(0, 2)), _DRIFTS)
        cube = _posterior((low, high, at_s, weight), offset_axis, drift_axis, late_axis, limits)
    offset = _quantiles(offset_axis, cube.sum(axis=(1, 2)))
    drift = _quantiles(drift_axis, cube.sum(axis=(0, 2)))
    latest = _quantiles(late_axis, cube.sum(axis=(0, 1)))
    if sign < 0.0:
        offset, drift = _negated(offset), _negated(drift)
    return LateFit(offset, drift, latest)


def _negated(interval: tuple[float, float, float]) -> tuple[float, float, float]:
    return -interval[2], -interval[1], -interval[0]


def _stamped(pair: Pair, *, ours_late: bool) -> tuple[float, float]:
    """What list minus other clock is, were the line not late: bounds in s, list first."""
    late, other = (pair.ours, pair.theirs) if ours_late else (pair.theirs, pair.ours)
    return (late.stamp_ns - other.latest_ns) / NS, (late.latest_ns - other.earliest_ns) / NS


def _drifts(low: Floats, high: Floats, at_s: Floats, limits: Limits) -> Floats:
    """Drifts worth looking at, ppm: about the robust slope of the pairs, as wide as they leave it."""
    most = limits["clocks.drift_ppm_max"]
    span_s = float(np.ptp(at_s))
    usual = limits["clocks.drift_ppm_usual"]
    if len(low) < _FEW or span_s <= 0.0:
        return np.linspace(-3.0 * usual, 3.0 * usual, _DRIFTS)
    middle = (low + high) / 2.0
    slope = median_slope(at_s, middle)[0] / PPM
    scatter = float(np.ptp(middle - slope * PPM * at_s)) + float(np.median(high - low))
    half = max(5.0, 4.0 * scatter / span_s / np.sqrt(len(low)) / PPM)
    half = min(half, most)
    centre = float(np.clip(slope, -most, most))
    return np.linspace(centre - half, centre + half, _DRIFTS)


def _is_sampled(seen: SeenEvent) -> bool:
    """Whether an event is known to lie between two samples; else its own stamp tells it."""
    return seen.earliest_ns != seen.stamp_ns


def _told_once(
    seen: tuple[Floats, Floats, Floats], sampled: NDArray[np.bool_], ppm: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Pairs that say the same, drift taken off, as one, with the root of their number as its weight.

    Scans of a panel and samples of a trend may run in step: then each event leaves the same interval, and many of them
    say little more than one.
    """
    low, high, at_s = seen
    straight = PPM * ppm * at_s
    same: dict[tuple[int, int, int], list[int]] = {}
    for index, (a, b) in enumerate(zip(low - straight, high - straight, strict=True)):
        alone = 0 if sampled[index] else index + 1
        same.setdefault((round(a / _SAME_S), round(b / _SAME_S), alone), []).append(index)
    first = np.array([found[len(found) // 2] for found in same.values()])
    weight = np.sqrt([len(found) for found in same.values()])
    return low[first], high[first], at_s[first], weight


def _offsets(low: Floats, high: Floats, at_s: Floats, drifts: Floats, limits: Limits) -> Floats:
    """Offsets worth looking at, s: from the least that the latest lateness leaves to the most that a pair allows."""
    reach = PPM * float(np.max(np.abs(drifts - np.median(drifts)))) * float(np.max(np.abs(at_s)))
    straight = PPM * float(np.median(drifts)) * at_s
    first = float(np.quantile(low - straight, 0.05)) - limits["clocks.list_delay_s"] - reach
    last = float(np.quantile(high - straight, 0.95)) + reach
    return np.linspace(first, max(last, first + 1.0), _OFFSETS)


def _posterior(
    seen: tuple[Floats, Floats, Floats, Floats], offsets: Floats, drifts: Floats, latenesses: Floats, limits: Limits
) -> Floats:
    """Posterior over offsets x drifts x latenesses, its sum 1: flat in the offset, falling with drift beyond usual."""
    low, high, at_s, weights = seen
    width = np.maximum(high - low, limits["clocks.jitter_s"])
    wild = limits["clocks.list_wild_share"]
    logs = np.zeros((2, len(offsets), len(drifts), len(latenesses)))
    for a, b, at, wide, told in zip(low, high, at_s, width, weights, strict=True):
        shift = offsets[:, None, None] + PPM * drifts[None, :, None] * at
        below, above = (a - shift) / latenesses, (b - shift) / latenesses
        for shape, share in enumerate((_flat, _peaked)):
            likely = (share(above) - share(below)) / wide
            logs[shape] += told * np.log((1.0 - wild) * likely + wild / limits["clocks.near_miss_s"])
    prior = -np.log1p((drifts / limits["clocks.drift_ppm_usual"]) ** 2)
    # on a geometric axis, between as likely by size (no weight) and as likely by seconds (a weight by width)
    logs += prior[None, None, :, None] + (np.log(latenesses) / 2.0)[None, None, None, :]
    weight = np.exp(logs - logs.max()).sum(axis=0)
    return np.asarray(weight / weight.sum())


def _flat(x: Floats) -> Floats:
    """Share of latenesses below ``x`` of the largest, where all are as likely: one random delay."""
    return np.clip(x, 0.0, 1.0)


def _peaked(x: Floats) -> Floats:
    """The same where a delay and the wait for a scan add up: the triangular distribution."""
    x = np.clip(x, 0.0, 1.0)
    return np.where(x < _HALF, 2.0 * x * x, 1.0 - 2.0 * (1.0 - x) ** 2)


def _closer(axis: Floats, weight: Floats, count: int) -> Floats:
    """A finer axis over the part of this one that is worth a look."""
    step = float(axis[1] - axis[0])
    kept = np.flatnonzero(weight > _KEPT * weight.max())
    return np.linspace(float(axis[kept[0]]) - step, float(axis[kept[-1]]) + step, count)


def _quantiles(axis: Floats, weight: Floats) -> tuple[float, float, float]:
    """2.5 %, 50 % and 97.5 % points of a posterior on an axis, each point standing for the cell about it."""
    edges = np.concatenate(([axis[0]], (axis[1:] + axis[:-1]) / 2.0, [axis[-1]]))
    total = np.concatenate(([0.0], np.cumsum(weight)))
    low, middle, high = np.interp([0.025, 0.5, 0.975], total / total[-1], edges)
    return float(low), float(middle), float(high)
