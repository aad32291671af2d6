"""Spells of loading and unloading: from pulses where they are logged, from slide or amps where they are not."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from forensics.machine.commands import Command
from forensics.machine.runs import StateSpan
from forensics.model.points import NS, Samples
from forensics.model.record import Record
from forensics.model.vocabulary import Recorded, Role, State
from forensics.model.where_sampled import steps_where_sampled
from forensics.rules import Limits

_Spells = tuple[NDArray[np.int64], NDArray[np.int64], bool]
_ENOUGH_PULSES = 5
_SURE_INTERVAL_S = 2.0
_EMPTY = np.array([], dtype=np.int64)


def moving_spans(
    record: Record, commands: Mapping[Role, Command], limits: Limits, *, rated_load_amps: float | None = None
) -> tuple[StateSpan, ...]:
    """Spells in which capacity is being raised or lowered.

    A spell of pulses lasts from its first pulse until one pulse period after its last began; the period is the
    record's own. Where a direction's pulses are not logged, or too slowly to be seen, the slope of the slide, or
    else of the amps, over some tens of seconds stands for them, and the span is marked inferred.

    Returns
    -------
    tuple of StateSpan
        Not overlapping, in time order; what lies between them is holding.
    """
    spells: list[tuple[State, _Spells]] = []
    for role, state, sign in (
        (Role.LOAD_SOLENOID, State.LOAD, 1.0),
        (Role.UNLOAD_SOLENOID, State.UNLOAD, -1.0),
    ):
        command = commands.get(role)
        if command is not None and command.interval_s <= limits["states.pulse_interval_longest_s"]:
            spells.append((state, pulse_spells(command, limits)))
            continue
        drawn = _slope_spells(record, limits, sign, rated_load_amps)
        if drawn is None and command is not None:
            drawn = pulse_spells(command, limits)
        if drawn is not None:
            spells.append((state, (drawn[0], drawn[1], True)))
    if not spells:
        return ()
    starts = np.concatenate([s[0] for _, s in spells])
    ends = np.concatenate([s[1] for _, s in spells])
    which = np.concatenate([np.full(len(s[0]), i) for i, (_, s) in enumerate(spells)])
    order = np.argsort(starts, kind="stable")
    starts, ends, which = starts[order], ends[order], which[order]
    if len(starts) > 1:
        ends[:-1] = np.minimum(ends[:-1], starts[1:])
    return tuple(
        StateSpan(spells[i][0], int(a), int(b), spells[i][1][2])
        for a, b, i in zip(starts, ends, which, strict=True)
        if b > a
    )


def pulse_spells(command: Command, limits: Limits) -> _Spells:
    """Spells of pulses of one command: starts and ends (ns UTC), and whether they were too slow to be sure of."""
    starts, ends = command.acting
    if not len(starts):
        return _EMPTY, _EMPTY, False
    period_ns = round(pulse_period_s(command, limits) * NS)
    reach = np.maximum(ends, starts + period_ns)
    slack = period_ns // 4
    apart = np.flatnonzero(starts[1:] > np.maximum.accumulate(reach)[:-1] + slack) + 1
    first = np.concatenate(([0], apart))
    last = np.concatenate((apart - 1, [len(starts) - 1]))
    return starts[first], reach[last], command.interval_s > _SURE_INTERVAL_S


def pulse_period_s(command: Command, limits: Limits) -> float:
    """The record's own pulse period in s: median spacing of pulses that follow each other closely."""
    starts, _ = command.acting
    spacing = np.diff(starts) / NS
    close = spacing[spacing <= limits["states.pulse_period_longest_s"]]
    if len(close) < _ENOUGH_PULSES:
        return max(limits["states.pulse_period_s"], 1.5 * command.interval_s)
    return max(float(np.median(close)), 1.5 * command.interval_s)


def _slope_spells(record: Record, limits: Limits, sign: float, rated: float | None) -> _Spells | None:
    slide = record.point(Role.SLIDE_POSITION)
    if slide is not None and len(slide.usable) > 1:
        return _sloping(slide, limits["states.slide_rate"], limits["states.inference_step_s"], sign)
    amps = record.point(Role.MOTOR_AMPS)
    if amps is None or len(amps.usable) <= 1:
        return None
    running = amps.usable.v[amps.usable.v > 0]
    usual = rated or (float(np.median(running)) if len(running) else 0.0)
    if usual <= 0:
        return None
    return _sloping(amps, limits["states.amps_rate"] * usual, limits["states.inference_step_s"], sign)


def _sloping(point: Samples, rate: float, step_s: float, sign: float) -> _Spells:
    usable = point.usable
    periodic = point.origin.recorded is not Recorded.CHANGE
    step_ns = round(max(step_s, point.interval_s if periodic and np.isfinite(point.interval_s) else 0.0) * NS)
    first_ns, last_ns = int(usable.t[0]), int(usable.t[-1])
    grid = steps_where_sampled(usable.t, step_ns, first_ns, last_ns + step_ns - 1)
    level = usable.at(grid)
    moving = (sign * np.diff(level) / (step_ns / NS) > rate) & (np.diff(grid) == step_ns)
    edge = np.diff(np.concatenate(([0], moving.astype(np.int8), [0])))
    return grid[np.flatnonzero(edge == 1)], grid[np.flatnonzero(edge == -1)], True
