"""Life of machines that failed and of those still running: survival curve and Weibull fit with censored times.

Methods: E. L. Kaplan and P. Meier, J. Am. Stat. Assoc. 53 (1958) 457, with log-log limits after Greenwood; maximum
likelihood with right censoring (NIST/SEMATECH e-Handbook 8.4.1.3), limits from the observed information in the
logarithms of shape and scale.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

CONFIDENCE = 0.95
_Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Survival:
    """Steps of a survival curve: hours, share still running after each, limits."""

    hours: tuple[float, ...]
    share: tuple[float, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    failures: int
    censored: int


@dataclass(frozen=True, slots=True)
class Weibull:
    """A fitted Weibull life: shape, scale in hours, each with its limits, and the log-likelihood."""

    shape: float
    scale_h: float
    shape_limits: tuple[float, float]
    scale_limits_h: tuple[float, float]
    log_likelihood: float
    failures: int
    censored: int


def _censored(failed_h: Sequence[float], running_h: Sequence[float]) -> Any:
    from scipy.stats import CensoredData

    return CensoredData(uncensored=list(failed_h), right=list(running_h))


def survival(failed_h: Sequence[float], running_h: Sequence[float]) -> Survival | None:
    """Share of machines still running by hours; None where nothing failed."""
    from scipy.stats import ecdf

    if not failed_h:
        return None
    found = ecdf(_censored(failed_h, running_h)).sf
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        # undefined where nobody is left: such limits are None below
        warnings.simplefilter("ignore", RuntimeWarning)
        limits: Any = found.confidence_interval(confidence_level=CONFIDENCE, method="log-log")
    keep = np.isin(found.quantiles, np.asarray(failed_h, dtype=float))
    return Survival(
        tuple(float(t) for t in found.quantiles[keep]),
        tuple(float(p) for p in found.probabilities[keep]),
        tuple(_finite(p) for p in limits.low.probabilities[keep]),
        tuple(_finite(p) for p in limits.high.probabilities[keep]),
        len(failed_h),
        len(running_h),
    )


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def weibull(failed_h: Sequence[float], running_h: Sequence[float], *, fewest: int) -> Weibull | None:
    """Fit a Weibull life; None with fewer than ``fewest`` failures at different times above zero."""
    from scipy.stats import weibull_min

    if len(failed_h) < fewest or min(failed_h) <= 0 or len(set(failed_h)) < 2:  # noqa: PLR2004 - equal times fit any shape
        return None
    running = [hours for hours in running_h if hours > 0]
    shape, _, scale = (float(v) for v in weibull_min.fit(_censored(failed_h, running), floc=0))
    if not (math.isfinite(shape) and math.isfinite(scale) and shape > 0 and scale > 0):
        return None
    sd_shape, sd_scale = _log_deviations(np.asarray(failed_h), np.asarray([*failed_h, *running]), shape, scale)
    failed, whole = np.asarray(failed_h), np.asarray([*failed_h, *running])
    likelihood = float(
        np.sum(np.log(shape / scale) + (shape - 1) * np.log(failed / scale)) - np.sum((whole / scale) ** shape)
    )
    return Weibull(
        shape=shape,
        scale_h=scale,
        shape_limits=(shape * math.exp(-_Z95 * sd_shape), shape * math.exp(_Z95 * sd_shape)),
        scale_limits_h=(scale * math.exp(-_Z95 * sd_scale), scale * math.exp(_Z95 * sd_scale)),
        log_likelihood=likelihood,
        failures=len(failed_h),
        censored=len(running),
    )


def _log_deviations(failed: Any, whole: Any, shape: float, scale: float) -> tuple[float, float]:
    """Standard deviations of ln(shape) and ln(scale) from the observed information, in closed form."""
    u, v = shape * np.log(failed / scale), shape * np.log(whole / scale)
    e = np.exp(v)
    shape_shape = -(np.sum(u) - np.sum((v + v * v) * e))
    scale_scale = shape**2 * np.sum(e)
    mixed = -(-shape * len(failed) + shape * np.sum(e) + shape * np.sum(v * e))
    spread = np.linalg.inv(np.array([[shape_shape, mixed], [mixed, scale_scale]]))
    return float(np.sqrt(spread[0, 0])), float(np.sqrt(spread[1, 1]))
