"""Which way a capacity coil works: how the capacity moves while it is energised, against what it does else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.duty.capacity import capacity
from forensics.machine.subject import Subject
from forensics.model.points import NS, OFF, ON
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role
from forensics.stats.proportions import wilson

Floats = NDArray[np.float64]
_FEW = 6
_MOVES = 0.1
_ROOM_PERCENT = 5.0
_ONE_POINT = 1e-9


@dataclass(frozen=True, slots=True)
class CoilSense:
    """The sense of one coil, run by run.

    Attributes
    ----------
    rate
        Median over the runs of the rate that goes with the coil, % of travel a minute while it is energised.
    up, blocks
        Runs in which the capacity rose with the coil energised, and those that tell.
    """

    role: Role
    rate: float
    up: int
    blocks: int

    def against(self, *, energised: bool) -> tuple[float, float, float]:
        """Share of the runs, with its 95 % interval, against the usual sense of the coil while it is energised.

        Parameters
        ----------
        energised
            Whether the profile has the valve act, load or unload, while it is energised.
        """
        rises = energised if self.role is Role.LOAD_SOLENOID else not energised
        wrong = self.blocks - self.up if rises else self.up
        low, high = wilson(wrong, self.blocks)
        return wrong / self.blocks, low, high


def coil_senses(subject: Subject) -> tuple[CoilSense, ...]:
    """The sense of load and unload coil where the record tells it; a build without a slide that moves has none.

    In each run the change of capacity over windows is fitted by least squares on the shares of them that the two coils
    were energised; the sign of a coil's coefficient is one vote. Where a coil is a position (steps) or stays energised
    in holding, its rate has no sense.
    """
    source, limits = capacity(subject), subject.limits
    build = subject.build
    if source is None or build.steps_percent or build.latched_hold or build.three_way or not build.has_slide:
        return ()
    coils = {r: s for r in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID) if (s := subject.record.switch(r)) is not None}
    step_ns = round(max(limits["profile.window_s"], 2.0 * source.point.interval_s) * NS)
    votes: dict[Role, list[float]] = {role: [] for role in coils}
    for run in subject.runs:
        grid = np.arange(run.first_ns + 2 * step_ns, run.last_ns - 2 * step_ns, step_ns, dtype=np.int64)
        if len(grid) <= _FEW:
            continue
        level = source.at(grid)
        share = {role: _energised(switch, grid) for role, switch in coils.items()}
        for role, rate in _rates(level, share, step_ns / NS).items():
            votes[role].append(rate)
    return tuple(
        CoilSense(role, float(np.median(rates)), sum(rate > 0.0 for rate in rates), len(rates))
        for role, rates in votes.items()
        if rates
    )


def _energised(switch: Switch, grid: NDArray[np.int64]) -> Floats:
    """Share of each step of a grid in which a coil is energised; NaN where it is not known at an end."""
    begin, end = switch.on_times
    before = np.concatenate(([0.0], np.cumsum((end - begin) / NS)))

    def upto(at: NDArray[np.int64]) -> Floats:
        index = np.searchsorted(begin, at, side="right")
        inside = np.where(index > 0, np.minimum(at, end[np.maximum(index - 1, 0)]) - begin[np.maximum(index - 1, 0)], 0)
        return before[np.maximum(index - 1, 0)] + np.maximum(inside, 0) / NS

    if not len(begin):
        return np.zeros(len(grid) - 1)
    known = np.array([switch.at(int(at)) in (ON, OFF) for at in grid])
    share = (upto(grid[1:]) - upto(grid[:-1])) / (np.diff(grid) / NS)
    return np.where(known[1:] & known[:-1], share, np.nan)


def _rates(level: Floats, share: dict[Role, Floats], step_s: float) -> dict[Role, float]:
    """Rate with each coil, %/min, of one run; only coils that worked for some windows and not in others."""
    change = np.diff(level) * 60.0 / step_s
    if not np.isfinite(level).any():
        return {}
    # a slide at the end of its travel moves no further, whatever the coil does
    free = (level[:-1] > np.nanmin(level) + _ROOM_PERCENT) & (level[:-1] < np.nanmax(level) - _ROOM_PERCENT)
    usable = np.isfinite(change) & free & np.all([np.isfinite(s) for s in share.values()], axis=0)
    columns = {role: s[usable] for role, s in share.items() if np.ptp(s[usable]) > _MOVES} if usable.any() else {}
    if not columns or usable.sum() <= _FEW:
        return {}
    matrix = np.column_stack([np.ones(int(usable.sum())), *columns.values()])
    fitted, _left, rank, _values = np.linalg.lstsq(matrix, change[usable], rcond=None)
    if rank < matrix.shape[1]:
        return {}
    left = change[usable] - matrix @ fitted
    scatter = float(np.sum(left**2)) / max(len(left) - matrix.shape[1], 1)
    errors = np.sqrt(np.diag(np.linalg.inv(matrix.T @ matrix)) * scatter + _ONE_POINT)
    told = zip(columns, fitted[1:], errors[1:], strict=True)
    return {role: float(rate) for role, rate, error in told if abs(rate) > 2.0 * error}
