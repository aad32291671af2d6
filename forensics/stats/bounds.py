"""The least share that a count still allows: exact, and for cases that came in clusters."""

from __future__ import annotations


def exact_lower(count: float, of: float, *, confidence: float = 0.95) -> float:
    """One-sided lower bound of a share (Clopper and Pearson 1934, Biometrika 26, 404); ``of`` must be positive.

    Both may be effective numbers and need not be whole (E. L. Korn and B. I. Graubard 1998, Survey Methodology 24,
    193): where one machine gave several cases, they say hardly more than one.
    """
    from scipy.special import betaincinv

    if count <= 0:
        return 0.0
    return float(betaincinv(count, of - count + 1.0, 1.0 - confidence))


def exact_interval(count: int, of: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided interval of a share (Clopper and Pearson 1934); ``of`` must be positive."""
    level = 1.0 - (1.0 - confidence) / 2.0
    low = exact_lower(count, of, confidence=level)
    return low, 1.0 - exact_lower(of - count, of, confidence=level)
