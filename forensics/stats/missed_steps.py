"""A steady rate beneath steps of which some were seen, and as many may have been missed.

What moved in windows without a seen step is a mixture: most hold none and move at the steady rate, some hold one
or two that were missed. Steps that were seen tell how large they are. The rate is the maximum of the likelihood of that
mixture (A. P. Dempster, N. M. Laird and D. B. Rubin 1977, J. R. Stat. Soc. B 39, 1-38), with a wide component for
whatever else happens; errors by leaving batches out in turn (delete-a-group jackknife; P. S. Kott 2001).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.stats.robust import Fit, effective_freedom

Floats = NDArray[np.float64]
# none, one, a part of one (it began before the window, or ends after it), two, one of each
_COUNTS = np.array([(0, 0), (1, 0), (0, 1), (0.5, 0), (0, 0.5), (2, 0), (0, 2), (1, 1)])
_PARTIAL = np.array([0, 0, 0, 1, 1, 0, 0, 0])
_UNIFORM_SPREAD = 0.29
_ROUNDS = 60
_AGAIN = 12
# standard error of what missed steps moved, as a share of it: their sizes spread by more than those that were seen
_TAKEN_OUT_KNOWN = 0.06
_STRAY = 0.01
_STRAY_WIDTH = 30.0
_SMALLEST = 0.25


@dataclass(frozen=True, slots=True)
class Steps:
    """Size of a step up and of a step down as seen, with the spread of each; 0 where none was seen.

    ``missed`` is how many of each are thought to have been missed a window: where the climb begins.
    """

    up: float
    down: float
    up_spread: float
    down_spread: float
    missed: tuple[float, float] = (0.05, 0.05)


@dataclass(frozen=True)
class Beneath:
    """The steady rate as a fit of one coefficient, and the share of windows without a step.

    ``taken_out`` is what the steps that were missed moved up and down together, per minute.
    """

    fit: Fit
    still: float
    taken_out: float


def rate_beneath(
    moved: Floats, minutes: Floats, steps: Steps, batch: NDArray[np.int64], guess: float
) -> Beneath | None:
    """The steady rate, per minute; None for too few batches.

    Parameters
    ----------
    moved, minutes
        Movement in each window and its length, shape (n,).
    batch
        Number of the batch of each window, 0 and up, not falling, shape (n,).
    guess
        Rate to begin with.
    """
    groups = int(batch[-1]) + 1 if len(batch) else 0
    if groups < 5:  # noqa: PLR2004 - fewer tell no error
        return None
    rest = moved - guess * minutes
    sigma = max(1.4826 * float(np.median(np.abs(rest - np.median(rest)))), 1e-3)
    begin = _State(
        np.array([guess]),
        np.array([sigma]),
        np.array([steps.up]),
        np.array([steps.down]),
        _first_shares(steps)[None, :],
    )
    ones = np.ones((1, len(moved)))
    whole = _climb(begin, moved, minutes, steps, ones, _ROUNDS)
    keep = (batch[None, :] != np.arange(groups)[:, None]).astype(float)
    parts = _climb(whole.spread(groups), moved, minutes, steps, keep, _AGAIN)
    apart = parts.rate - parts.rate.mean()
    variance = (groups - 1) / groups * float(np.sum(apart**2))
    jump = np.abs(whole.up[0] * _COUNTS[:, 0]) + np.abs(whole.down[0] * _COUNTS[:, 1])
    taken_out = float(np.sum(whole.share[0] * jump) * len(moved) / np.sum(minutes))
    variance += (_TAKEN_OUT_KNOWN * taken_out) ** 2
    if not np.isfinite(variance):  # without one of the batches nothing is left to fit
        return None
    fit = Fit(whole.rate, np.array([[variance]]), float(whole.sigma[0]), effective_freedom(apart, groups - 1))
    return Beneath(fit, float(whole.share[0, 0]), taken_out)


def _first_shares(steps: Steps) -> Floats:
    """Poisson shares of the counts, a fifth of single steps in part only."""
    up, down = (max(m, 0.02) for m in steps.missed)
    whole = np.array([1.0, 0.8 * up, 0.8 * down, 0.2 * up, 0.2 * down, up**2 / 2.0, down**2 / 2.0, up * down])
    shares: Floats = whole / whole.sum()
    return shares


@dataclass
class _State:
    rate: Floats
    sigma: Floats
    up: Floats
    down: Floats
    share: Floats

    def spread(self, groups: int) -> _State:
        return _State(*(np.repeat(x, groups, axis=0) for x in (self.rate, self.sigma, self.up, self.down, self.share)))


def _climb(state: _State, moved: Floats, minutes: Floats, steps: Steps, weight: Floats, rounds: int) -> _State:
    """Climb the likelihood for several weightings of the windows at once, shape (g, n)."""
    up, down = _COUNTS[:, 0], _COUNTS[:, 1]
    possible = ~(((up > 0) & (steps.up == 0)) | ((down > 0) & (steps.down == 0)))
    own = up * steps.up_spread**2 + down * steps.down_spread**2
    own = own + _PARTIAL * (_UNIFORM_SPREAD * 2.0 * (up * steps.up + down * steps.down)) ** 2
    rate, sigma, size_up, size_down, share = state.rate, state.sigma, state.up, state.down, state.share.copy()
    share[:, ~possible] = 0.0
    total = weight.sum(axis=1)
    for _ in range(rounds):
        jump = size_up[:, None] * up + size_down[:, None] * down
        variance = sigma[:, None] ** 2 + own
        rest = moved[None, :, None] - rate[:, None, None] * minutes[None, :, None] - jump[:, None, :]
        density = share[:, None, :] * np.exp(-0.5 * rest**2 / variance[:, None, :]) / np.sqrt(variance)[:, None, :]
        wide = _STRAY_WIDTH * sigma
        off = moved[None, :] - rate[:, None] * minutes[None, :]
        stray = _STRAY * np.exp(-0.5 * (off / wide[:, None]) ** 2) / wide[:, None]
        part = density / (density.sum(axis=2) + stray)[:, :, None] * weight[:, :, None]
        precise = part / variance[:, None, :]
        level = moved[None, :, None] - jump[:, None, :]
        rate = np.sum(precise * level * minutes[None, :, None], axis=(1, 2)) / np.maximum(
            np.sum(precise * minutes[None, :, None] ** 2, axis=(1, 2)), 1e-30
        )
        none = part[:, :, 0]
        left = moved[None, :] - rate[:, None] * minutes[None, :]
        sigma = np.sqrt(np.maximum(np.sum(none * left**2, axis=1) / np.maximum(none.sum(axis=1), 1e-9), 1e-8))
        share = (part.sum(axis=1) + 0.1 * possible) / total[:, None]
        share = share / share.sum(axis=1, keepdims=True)
        size_up = _resized(size_up, steps.up, part[:, :, 1], left)
        size_down = _resized(size_down, steps.down, part[:, :, 2], left)
    return _State(rate, sigma, size_up, size_down, share)


def _resized(size: Floats, seen: float, part: Floats, left: Floats) -> Floats:
    """Steps that were missed are rather smaller than those seen: their mean, never far from what was seen."""
    if seen == 0.0:
        return size
    prior = 5.0
    mean = (np.sum(part * left, axis=1) + prior * seen) / (part.sum(axis=1) + prior)
    low, high = sorted((_SMALLEST * seen, 1.2 * seen))
    kept: Floats = np.clip(mean, low, high)
    return kept
