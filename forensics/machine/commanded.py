"""How long a command acted."""

from __future__ import annotations

import numpy as np

from forensics.machine.commands import Command
from forensics.machine.duty.capacity import Floats, Times
from forensics.model.points import NS


def acting_seconds(command: Command | None, begin: Times, end: Times) -> Floats:
    """Seconds that a command acted in each step; NaN where the point is not there or mostly unknown."""
    if command is None:
        return np.full(len(begin), np.nan)
    acting = _integral(command.acting, end) - _integral(command.acting, begin)
    known = _integral(command.known, end) - _integral(command.known, begin)
    mostly = known >= 0.9 * (end - begin) / NS
    return np.where(mostly, acting, np.nan)


def _integral(spans: tuple[Times, Times], at: Times) -> Floats:
    starts, ends = spans
    if not len(starts):
        return np.zeros(len(at))
    lengths = np.cumsum((ends - starts) / NS)
    index = np.searchsorted(starts, at, side="right") - 1
    safe = np.maximum(index, 0)
    before = np.where(index > 0, lengths[np.maximum(safe - 1, 0)], 0.0)
    inside = np.clip(at - starts[safe], 0, ends[safe] - starts[safe]) / NS
    return np.where(index < 0, 0.0, before + inside)
