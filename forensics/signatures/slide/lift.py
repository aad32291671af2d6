"""How the current follows the pressures while the slide stands still, so that lift is taken out before a slope is read.

The relation is the machine's own: in stretches without a command, what the current moved is fitted to what the
pressures moved and to time (a drift), by M-estimation with Huber's weights (P. J. Huber 1964, Ann. Math. Stat. 35,
73-101; covariance as in Huber, Robust Statistics, 1981, section 7.6). Where it cannot be had, physics bounds it: the
work of compression, and so the current, follows each pressure at most in proportion, and not against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.baseline import HIGH_SIDE, max_age_s
from forensics.machine.capacity import Capacity, Floats, Times
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Recorded, Role

_HUBER = 1.345  # 95 % efficiency at the normal distribution (Huber 1981)
_MAD_TO_SIGMA = 1.4826
_ROUNDS = 50
_FEWEST = 20
Matrix = NDArray[np.float64]


def robust_fit(design: Matrix, y: Floats) -> tuple[Floats, Matrix]:
    """Huber's M-estimate of a linear model and its covariance, shapes (p,) and (p, p); more rows than columns."""
    n, p = design.shape
    weight: Floats = np.ones(n)
    found: NDArray[np.float64] = np.zeros(p)
    scale = 0.0
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        new: Floats = np.asarray(np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0], dtype=np.float64)
        residual = y - design @ new
        scale = float(_MAD_TO_SIGMA * np.median(np.abs(residual)))
        done = bool(np.allclose(new, found, rtol=1e-8, atol=1e-12))
        found = np.asarray(new, dtype=np.float64)
        if scale <= 0.0 or done:
            break
        weight = np.minimum(1.0, _HUBER / np.maximum(np.abs(residual) / scale, 1e-12))
    inverse = np.linalg.pinv(design.T @ design)
    if scale <= 0.0:
        return found, np.zeros((p, p))
    standard = (y - design @ found) / scale
    inner = np.abs(standard) <= _HUBER
    share = float(np.mean(inner))
    bend = 1.0 + p / n * share * (1.0 - share) / share**2
    spread = float(np.sum(np.clip(standard, -_HUBER, _HUBER) ** 2)) / (n - p) * scale**2
    covariance: Matrix = bend**2 * spread / share**2 * inverse
    return found, covariance


@dataclass(frozen=True)
class Relation:
    """Percent of rated that the current moves with each kPa of high side and suction, at 100 % of rated.

    Attributes
    ----------
    per_kpa, covariance
        Shapes (2,) and (2, 2); what the fit found, or the middle of what physics allows.
    most_per_kpa
        What physics allows at most, shape (2,); at least 0.
    stretches
        How many the fit rests on; 0 where physics alone bounds it.
    """

    per_kpa: Floats
    covariance: Matrix
    most_per_kpa: Floats
    stretches: int

    def of(self, moved: Matrix) -> Floats:
        """Movement of the capacity reading that is the pressures' work, %, one a stretch."""
        return np.asarray(moved @ self.per_kpa)

    def doubt(self, total: Floats) -> float:
        """Half width of the interval (two standard errors, or all that physics allows) of a summed correction, %."""
        allowed = float(np.sum(np.abs(total) * self.most_per_kpa) / 2.0)
        if not self.stretches:
            return allowed
        return 2.0 * float(np.sqrt(max(float(total @ self.covariance @ total), 0.0)))


@kept_with_owner
def relation_of(subject: Subject, source: Capacity, begin: Times, end: Times) -> Relation | None:
    """The machine's own relation from stretches in which no command acted; None where a pressure is not logged.

    Parameters
    ----------
    begin, end
        Of all such stretches of the record, shape (n,), ns UTC.
    """
    points = _pressures(subject)
    if points is None:
        return None
    least_s = max(subject.limits["slide.lift_stretch_s"], 8.0 * max(p.interval_s for p in (*points, source.point)))
    long = (end - begin) / NS >= least_s
    begin, end = begin[long], end[long]
    level, last = _ends(source.point, begin, end, source.percent)
    typical = np.array([float(np.median(p.v)) for p in points])
    most = 100.0 / np.maximum(typical, 1.0)
    bounded = Relation(most / 2.0, np.diag((most / 4.0) ** 2), most, 0)
    moved = _pressed(points, begin, end, level, middle=True)
    minutes = 0.75 * (end - begin) / NS / 60.0
    design: Matrix = np.column_stack([moved, minutes])
    good = np.isfinite(design).all(axis=1) & np.isfinite(last - level)
    if int(good.sum()) < _FEWEST:
        return bounded
    found, covariance = robust_fit(design[good], (last - level)[good])
    error = np.sqrt(np.diag(covariance))[:2]
    low, high = found[:2] - 2.0 * error, found[:2] + 2.0 * error
    known = bool(np.all(error < most / 4.0) and np.all(high >= 0.0) and np.all(low <= most))
    return Relation(found[:2], covariance[:2, :2], most, int(good.sum())) if known else bounded


def pressed(subject: Subject, begin: Times, end: Times, level: Floats) -> Matrix | None:
    """What high side and suction moved in stretches, kPa, times the level in parts of rated, shape (n, 2)."""
    points = _pressures(subject)
    return None if points is None else _pressed(points, begin, end, level, middle=False)


def _pressed(points: tuple[Samples, Samples], begin: Times, end: Times, level: Floats, *, middle: bool) -> Matrix:
    columns = []
    for point in points:
        if middle:
            first, last = _ends(point, begin, end, 1.0)
        else:
            first, last = (point.at(t, max_age_s(point)) for t in (begin, end))
        columns.append((last - first) * level / 100.0)
    return np.column_stack(columns) if len(begin) else np.zeros((0, 2))


def _pressures(subject: Subject) -> tuple[Samples, Samples] | None:
    suction = subject.record.point(Role.SUCTION_PRESSURE)
    high = next((p for p in (subject.record.point(r) for r in HIGH_SIDE) if p is not None), None)
    if suction is None or high is None:
        return None
    chosen = high.trusted, suction.trusted
    return chosen if all(len(p) > 1 for p in chosen) else None


def _ends(point: Samples, begin: Times, end: Times, scale: float) -> tuple[Floats, Floats]:
    """Mean reading of the first and of the last quarter of each stretch; change logs give their reading at each end."""
    if point.origin.recorded is Recorded.CHANGE:
        quarter = (end - begin) // 8
        return point.at(begin + quarter, max_age_s(point)) * scale, point.at(end - quarter, max_age_s(point)) * scale
    quarter = (end - begin) // 4
    total = np.concatenate(([0.0], np.cumsum(point.v)))

    def mean(first: Times, last: Times) -> Floats:
        low, high = np.searchsorted(point.t, first), np.searchsorted(point.t, last)
        count = high - low
        value = (total[high] - total[low]) / np.maximum(count, 1)
        return np.where(count > 0, value * scale, np.nan)

    return mean(begin, begin + quarter), mean(end - quarter, end)
