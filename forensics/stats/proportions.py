"""What a count says of the share behind it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

_Z95 = 1.959963984540054  # standard normal at 0.975


def wilson(count: int, of: int) -> tuple[float, float]:
    """95 % score interval of a share (Wilson 1927); ``of`` must be positive.

    Source: E. B. Wilson (1927), J. Am. Stat. Assoc. 22, 209-212.
    """
    share, z2 = count / of, _Z95**2
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = _Z95 / (1 + z2 / of) * math.sqrt(share * (1 - share) / of + z2 / (4 * of * of))
    return max(0.0, middle - half), min(1.0, middle + half)


@dataclass(frozen=True, slots=True)
class ShareChange:
    """The moment at which a share changed.

    Attributes
    ----------
    at
        Index of the first event of the later part.
    before, after
        Count and number of events on either side.
    log_ratio
        Natural logarithm of how much better two shares explain the events than one.
    """

    at: int
    before: tuple[int, int]
    after: tuple[int, int]
    log_ratio: float


def share_change(events: Sequence[bool]) -> ShareChange | None:
    """Where a run of yes-or-no events changed its share: the split of largest likelihood; None for fewer than two.

    Events that follow each other are not independent, so that an interval about one share over all of them is too
    narrow; two shares with the moment between them say what happened. Method: maximum likelihood of one change point
    of a Bernoulli sequence (D. V. Hinkley and E. A. Hinkley 1970, Biometrika 57, 477-488).
    """
    total, n = sum(events), len(events)
    best: ShareChange | None = None
    count = 0
    for at in range(1, n):
        count += bool(events[at - 1])
        gain = _log_likelihood(count, at) + _log_likelihood(total - count, n - at) - _log_likelihood(total, n)
        if best is None or gain > best.log_ratio:
            best = ShareChange(at, (count, at), (total - count, n - at), gain)
    return best


def _log_likelihood(count: int, of: int) -> float:
    share = count / of
    return sum(k * math.log(p) for k, p in ((count, share), (of - count, 1.0 - share)) if k)
