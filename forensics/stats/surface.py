"""What is expected at a duty, from readings at other duties: robust, with an interval that widens with distance.

The surface is universal kriging: a plane in the duties, a smooth departure from it, a part that drifts with time, and
noise. Where the duty was seen often the interval is that of the scatter; where it was seen only elsewhere it is wider
by what slopes, bends and departures may do over the distance.

References: Rasmussen and Williams, *Gaussian Processes for Machine Learning*, 2006, chapters 2 and 5 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from forensics.stats.drift import drift_axes
from forensics.stats.robust_fit import MAD_TO_SIGMA, Estimate, Floats, robust_fit, student_quantile

Runs = NDArray[np.int64]

_BEYOND = 5.0
_MOST_POINTS = 120
_MOST_TARGETS = 48
_DRIFT_SHARES = (0.0, 0.5, 1.0, 2.0, 4.0)
_DRIFT_TIMES_S = (600.0, 3600.0, 21_600.0)
_BEND_SHARES = (0.0, 1.0, 3.0)
# of the effect that a limit calls a fault: what a slope over one room may be where the readings do not show it, a
# departure from the plane, and a bend over one room squared
_SLOPE_SHARE = 0.3
_SHOWN = 3.0
_INDEPENDENT = 20.0
_DEPARTURE_SHARE = 0.1
_BEND_SHARE = 0.03
# of the same effect: how far the level at the centre may lie from the median reading
_LEVEL_SHARE = 10.0
_LEAST_DOF = 2.0
# before runs are compared: that they differ by six tenths of the scatter within them, worth two degrees of freedom
_RUN_SHARE = 0.6
_RUN_DOF = 2.0
_FEW_OF_RUN = 3
_MOST_TAKEN = 3.0


def _shape(x: Floats) -> Floats:
    """Plane and squares: 1, x, x^2; shape (n, 1 + 2 d)."""
    return np.column_stack([np.ones(len(x)), x, x * x])


@dataclass(frozen=True)
class Scatter:
    """How readings scatter about the surface.

    Attributes
    ----------
    noise
        Standard deviation of what is new in each reading.
    drift, drift_s
        Standard deviation of the part that lasts, and for how long, s.
    run, run_dof
        Standard deviation by which whole runs differ, and the degrees of freedom from which it is known.
    departure
        Standard deviation of the smooth departure from the plane.
    slopes, bend
        What a plane, for each duty (d,), and a bend may add over one room.
    level
        How far the level at the centre may lie from the median reading.
    floor
        Standard deviation of an error common to all readings of a stretch: half a step of the sensor.
    """

    noise: float
    drift: float
    drift_s: float
    run: float
    run_dof: float
    departure: float
    level: float
    slopes: Floats
    bend: float
    floor: float


@dataclass(frozen=True)
class Surface:
    """What is expected over duties, with its uncertainty.

    Attributes
    ----------
    x, t_s, run, y
        The readings that it rests on: duties in rooms from ``centre`` (n, d), times in s (n,), runs (n,), values (n,).
    inverse
        Inverse of their covariance, (n, n).
    level
        What was taken off ``y`` beforehand.
    dof
        Independent readings less what was fitted.
    """

    x: Floats
    t_s: Floats
    run: Runs
    y: Floats
    inverse: Floats
    centre: Floats
    level: float
    scatter: Scatter
    dof: float

    def expected(self, duties: Floats, t_s: Floats, run: Runs) -> tuple[Floats, Floats]:
        """What is expected at each duty, time and run, shape (m,), and the standard error of a reading's deviation."""
        x = duties - self.centre
        cross = _smooth(self.scatter, x, self.x) + _lasting(self.scatter, (t_s, run), (self.t_s, self.run))
        both = cross @ self.inverse
        variance = self._prior(x) - np.einsum("ij,ij->i", both, cross)
        variance = np.maximum(variance, 0.0) + self.scatter.noise**2 + self.scatter.floor**2
        return self.level + both @ self.y, np.sqrt(variance)

    def mean_deviation(
        self, duties: Floats, t_s: Floats, run: Runs, readings: Floats, *, two_sided: float = 0.05
    ) -> Estimate:
        """Mean of readings less what is expected of them, with the interval in which a sound machine's would lie.

        Parameters
        ----------
        duties, t_s, run, readings
            Shapes (m, d), (m,), (m,), (m,).
        two_sided
            Chance of lying outside the interval.
        """
        m, s = len(readings), self.scatter
        pick = np.unique(np.linspace(0, m - 1, min(m, _MOST_TARGETS)).round().astype(np.int64))
        x, moment = duties[pick] - self.centre, (t_s[pick], run[pick])
        cross = _smooth(s, x, self.x) + _lasting(s, moment, (self.t_s, self.run))
        both = cross @ self.inverse
        value = float(np.mean(readings[pick] - self.level - both @ self.y))
        own = _smooth(s, x, x) + _lasting(s, moment, moment)
        variance = max(float(np.mean(own) - np.mean(both @ cross.T)), 0.0)
        variance += s.noise**2 / len(pick) + s.floor**2
        error = float(np.sqrt(variance))
        # degrees of freedom by Welch and Satterthwaite: what runs share is known from few runs only
        other = 0.0 if np.isin(moment[1], self.run).any() else min(s.run**2, variance)
        rest = variance - other
        dof = variance**2 / max(other**2 / s.run_dof + rest**2 / self.dof, 1e-300)
        wide = student_quantile(dof, two_sided) * error
        return Estimate(value, value - wide, value + wide, error, dof)

    def _prior(self, x: Floats) -> Floats:
        s = self.scatter
        fixed = s.departure**2 + s.drift**2 + s.run**2 + s.level**2
        return np.asarray(fixed + np.sum(s.slopes**2 * x**2 + s.bend**2 * x**4, axis=1))


def _smooth(s: Scatter, a: Floats, b: Floats) -> Floats:
    """Covariance of level, plane, bend and departure between two sets of duties, shape (len(a), len(b))."""
    apart = np.maximum((a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1) - 2.0 * a @ b.T, 0.0)
    return np.asarray(
        s.level**2 + (a * s.slopes**2) @ b.T + s.bend**2 * ((a * a) @ (b * b).T) + s.departure**2 * np.exp(-0.5 * apart)
    )


def _lasting(s: Scatter, a: tuple[Floats, Runs], b: tuple[Floats, Runs]) -> Floats:
    """Covariance of what lasts: with time, and over a run; shape (len(a), len(b))."""
    same = s.run**2 * (a[1][:, None] == b[1])
    if s.drift <= 0.0:
        return np.asarray(same)
    return np.asarray(same + s.drift**2 * np.exp(-np.abs(a[0][:, None] - b[0]) / s.drift_s))


def fit_surface(
    duties: Floats,
    t_s: Floats,
    run: Runs,
    readings: Floats,
    *,
    effect: float,
    step: float,
    unknown_slope: float | None = None,
) -> Surface | None:
    """Fit what is expected to readings of a machine; None from fewer than five.

    Parameters
    ----------
    duties
        Shape (n, d), each in rooms: the distance over which a duty becomes another one.
    t_s, run, readings
        Shape (n,).
    effect
        The size that is called a fault, in the unit of the readings: a duty that was never varied may move a reading
        by about a third of it over one room.
    step
        Step of the sensor, same unit.
    unknown_slope
        How much a duty that was never varied may move a reading over one room, where that is known better.
    """
    if len(readings) < 5:  # noqa: PLR2004 - no scatter from fewer
        return None
    kept = _kept(duties, readings)
    pick = kept[np.unique(np.linspace(0, len(kept) - 1, min(len(kept), _MOST_POINTS)).round().astype(np.int64))]
    t, y, group = t_s[pick], readings[pick], run[pick]
    centre = np.median(duties[pick], axis=0) if duties.shape[1] else np.empty(0)
    x = duties[pick] - centre
    level = float(np.median(y))
    shape = robust_fit(_shape(x), y - level)
    left = y - level - _shape(x) @ shape
    slopes = _slopes(x, shape, left, _SLOPE_SHARE * effect if unknown_slope is None else unknown_slope)
    scatter, independent = _scatter(x, t, left, slopes, effect=effect, step=step)
    scatter = _between_runs(scatter, group, left)
    covariance = _smooth(scatter, x, x) + _lasting(scatter, (t, group), (t, group))
    covariance[np.diag_indices_from(covariance)] += scatter.noise**2
    inverse = np.linalg.inv(covariance)
    inverse = (inverse + inverse.T) / 2.0
    return Surface(
        x=x,
        t_s=t,
        run=group,
        y=y - level,
        inverse=inverse,
        centre=centre,
        level=level,
        scatter=scatter,
        dof=max(independent - 1.0, _LEAST_DOF),
    )


def _kept(duties: Floats, readings: Floats) -> NDArray[np.int64]:
    """Readings that are not far from where most lie, with duty taken out."""
    centred = duties - np.median(duties, axis=0) if duties.shape[1] else duties
    design = _shape(centred)
    left = readings - design @ robust_fit(design, readings)
    scale = MAD_TO_SIGMA * float(np.median(np.abs(left - np.median(left))))
    near = np.abs(left - np.median(left)) <= max(_BEYOND * scale, 1e-9)
    return np.flatnonzero(near)


def _slopes(x: Floats, shape: Floats, left: Floats, unknown: float) -> Floats:
    """How steep the surface may be over one room of each duty: what the readings show, else ``unknown``; shape (d,)."""
    design = _shape(x)
    scale = MAD_TO_SIGMA * float(np.median(np.abs(left)))
    # readings of one stretch say the same: they count as a score of independent ones
    few = max(len(left) / _INDEPENDENT, 1.0)
    error = scale * np.sqrt(np.maximum(few * np.diag(np.linalg.pinv(design.T @ design)), 0.0))[1 : 1 + x.shape[1]]
    found = np.abs(shape[1 : 1 + x.shape[1]])
    return np.asarray(np.where(found > _SHOWN * error, np.maximum(2.0 * found, unknown), unknown))


def _scatter(
    x: Floats, t: Floats, left: Floats, slopes: Floats, *, effect: float, step: float
) -> tuple[Scatter, float]:
    """The scatter that makes the residuals likeliest, and to how many independent readings they come."""
    floor = step / np.sqrt(12.0)
    apart = np.abs(t[:, None] - t)
    best, drift, drift_s = -np.inf, 0.0, _DRIFT_TIMES_S[0]
    for candidate_s in _DRIFT_TIMES_S:
        # one decomposition serves all shares
        size, axes = drift_axes(t, candidate_s)
        white = (axes.T @ left) ** 2
        for share in _DRIFT_SHARES:
            spread = 1.0 + share**2 * np.maximum(size, 0.0)
            variance = max(float(np.mean(white / spread)), 1e-30)
            found = -0.5 * (len(left) * float(np.log(variance)) + float(np.sum(np.log(spread))))
            if found > best:
                best, drift, drift_s = found, share, candidate_s
    lasting = drift**2 * np.exp(-apart / drift_s)
    near = np.exp(-0.5 * np.maximum(((x[:, None, :] - x[None, :, :]) ** 2).sum(axis=2), 0.0))
    departures = [(_likelihood(left, lasting + share**2 * near), share) for share in _BEND_SHARES]
    (_, variance), share = max(departures, key=lambda found: found[0][0])
    correlation = (lasting + np.eye(len(left))) / (1.0 + drift**2)
    independent = float(np.sum(np.linalg.solve(correlation, np.ones(len(left)))))
    # what the plane and its squares took up of the independent readings
    taken = 1.0 + 2.0 * x.shape[1]
    variance *= min(independent / max(independent - taken, 1.0), _MOST_TAKEN) if independent > 1.0 else _MOST_TAKEN
    noise = max(float(np.sqrt(variance)), floor, 1e-3 * effect)
    scatter = Scatter(
        noise=noise,
        drift=drift * noise,
        drift_s=drift_s,
        run=0.0,
        run_dof=_RUN_DOF,
        departure=max(share * noise, _DEPARTURE_SHARE * effect),
        level=_LEVEL_SHARE * effect,
        slopes=slopes,
        bend=_BEND_SHARE * effect,
        floor=floor,
    )
    return scatter, independent


def _between_runs(scatter: Scatter, run: Runs, left: Floats) -> Scatter:
    """The scatter with what whole runs differ by, from the means of runs and what is likely beforehand."""
    within = float(np.hypot(scatter.noise, scatter.drift))
    _, of, count = np.unique(run, return_inverse=True, return_counts=True)
    means = np.bincount(of, weights=left) / count
    means = means[count >= _FEW_OF_RUN]
    more = max(len(means) - 1, 0)
    squares = float(np.sum((means - means.mean()) ** 2)) if more else 0.0
    variance = (_RUN_DOF * (_RUN_SHARE * within) ** 2 + squares) / (_RUN_DOF + more)
    return replace(scatter, run=float(np.sqrt(variance)), run_dof=_RUN_DOF + more)


def _likelihood(left: Floats, shared: Floats) -> tuple[float, float]:
    """Log-likelihood of residuals with noise of size 1 beside a shared part, and the variance that fits best."""
    covariance = shared + np.eye(len(left))
    lower = np.linalg.cholesky(covariance)
    white = np.linalg.solve(lower, left)
    variance = max(float(white @ white) / len(left), 1e-30)
    return -0.5 * len(left) * float(np.log(variance)) - float(np.sum(np.log(np.diag(lower)))), variance
