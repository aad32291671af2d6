"""How good numbers of evidence are: Brier and log score, the cost of likelihood ratios, and whether they mean it.

Decibans are ten times the decimal logarithm of a likelihood ratio.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forensics.stats.bounds import exact_interval

Floats = NDArray[np.float64]
_DB = np.log(10.0) / 10.0
_LEAST = 1e-12


def cllr(true_db: ArrayLike, false_db: ArrayLike) -> float:
    """Cost of likelihood ratios, in bits: 0 is perfect, 1 is what saying nothing costs.

    Parameters
    ----------
    true_db, false_db
        Decibans for hypotheses that were true, and for ones that were not; neither may be empty.

    Notes
    -----
    N. Brümmer and J. du Preez, Application-independent evaluation of speaker detection, Computer Speech and Language
    20 (2006) 230: half the mean of log2(1 + 1/LR) over the true plus half the mean of log2(1 + LR) over the false.
    """
    true, false = _logs(true_db), _logs(false_db)
    return float(0.5 * (np.logaddexp(0.0, -true).mean() + np.logaddexp(0.0, false).mean()) / np.log(2.0))


def cllr_min(true_db: ArrayLike, false_db: ArrayLike) -> float:
    """What would be left of `cllr` if the same order of cases were told in the best numbers: pooled adjacent violators.

    The difference is what is lost by calibration alone (same source).
    """
    from scipy.optimize import isotonic_regression

    true, false = _logs(true_db), _logs(false_db)
    scores = np.concatenate([true, false])
    truth = np.concatenate([np.ones(true.size), np.zeros(false.size)])
    values, place = np.unique(scores, return_inverse=True)  # equal scores can't be told apart
    counts = np.bincount(place)
    share = np.bincount(place, truth) / counts
    best = np.clip(isotonic_regression(share, weights=counts).x, _LEAST, 1.0 - _LEAST)
    odds = np.log(best / (1.0 - best)) - np.log(true.size / false.size)
    db = odds[place] / _DB
    assert values.size == counts.size
    return cllr(db[: true.size], db[true.size :])


def _logs(db: ArrayLike) -> Floats:
    found = np.asarray(db, dtype=np.float64)
    if not found.size:
        raise ValueError("a cost needs at least one true and one false hypothesis")
    return np.asarray(found * _DB)


def probabilities(db: Floats) -> Floats:
    """Probability of each mode of each case where all were as likely before.

    Parameters
    ----------
    db
        Decibans, cases × modes; NaN where a mode does not apply.
    """
    logs = np.where(np.isnan(db), -np.inf, db * _DB)
    shifted = np.exp(logs - logs.max(axis=1, keepdims=True))
    return np.asarray(shifted / shifted.sum(axis=1, keepdims=True))


def brier(chance: Floats, truth: NDArray[np.int64]) -> float:
    """Mean sum of squared errors over the modes (G. W. Brier 1950, Monthly Weather Review 78, 1): 0 best, 2 worst.

    ``truth`` holds the column of the true mode of each case.
    """
    right = np.zeros_like(chance)
    right[np.arange(truth.size), truth] = 1.0
    return float(((chance - right) ** 2).sum(axis=1).mean())


def log_score(chance: Floats, truth: NDArray[np.int64]) -> float:
    """Mean of minus log2 of the probability that the true mode was given (I. J. Good 1952): bits, 0 best."""
    given = chance[np.arange(truth.size), truth]
    return float(-np.log2(np.maximum(given, _LEAST)).mean())


@dataclass(frozen=True, slots=True)
class Bin:
    """One bin of a calibration: what was said and what was so.

    Attributes
    ----------
    low_db, high_db
        Decibans that the bin holds.
    told, found
        Mean probability that the decibans stand for at the study's own share of true hypotheses, and the share that
        was true.
    low, high
        95 % interval of ``found``.
    """

    low_db: float
    high_db: float
    true: int
    of: int
    told: float
    found: float
    low: float
    high: float

    @property
    def holds(self) -> bool:
        """Whether what was said lies in the interval of what was so."""
        return self.low <= self.told <= self.high


def calibration(db: ArrayLike, truth: ArrayLike, *, bins: int = 20) -> tuple[Bin, ...]:
    """Hold probabilities that decibans stand for against shares that were true, in bins of about equal count.

    Equal decibans are never split between bins. Intervals are exact (Clopper and Pearson 1934).
    """
    given, was = np.asarray(db, dtype=np.float64), np.asarray(truth, dtype=bool)
    if not given.size or was.all() or not was.any():
        return ()
    prior = np.log(was.mean() / (1.0 - was.mean()))
    told = 1.0 / (1.0 + np.exp(-(given * _DB + prior)))
    edges = np.unique(np.quantile(given, np.linspace(0.0, 1.0, bins + 1)[1:-1]))
    place = np.searchsorted(edges, given, side="left")
    return tuple(_bin(given[place == n], told[place == n], was[place == n]) for n in np.unique(place))


def _bin(given: Floats, told: Floats, was: NDArray[np.bool_]) -> Bin:
    count, of = int(was.sum()), int(was.size)
    low, high = exact_interval(count, of)
    return Bin(
        low_db=float(given.min()),
        high_db=float(given.max()),
        true=count,
        of=of,
        told=float(told.mean()),
        found=count / of,
        low=low,
        high=high,
    )
