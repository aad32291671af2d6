"""What shows when points are held against each other: stuck values, lost communication, counters that roll over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from forensics.intake.points.plausible import false_zeros
from forensics.intake.result import SourceResult
from forensics.model.points import NS, ON, UNKNOWN, Samples, iso
from forensics.model.row_numbers import said_row
from forensics.model.switches import Switch
from forensics.model.vocabulary import Quality, Recorded, Role
from forensics.rules import read_limits

_MOVES_AT_A_STOP = frozenset(
    {
        Role.OIL_PRESSURE, Role.OIL_PRESSURE_DIFFERENCE, Role.OIL_FILTER_IN_PRESSURE, Role.DISCHARGE_PRESSURE,
        Role.SUCTION_PRESSURE, Role.HIGH_SIDE_PRESSURE, Role.CONDENSER_PRESSURE, Role.MOTOR_POWER,
    }
)  # fmt: skip
_COUNTERS = frozenset({Role.START_COUNT, Role.RUN_HOURS})
_MODULI = (2.0**15, 2.0**16, 2.0**31, 2.0**32, 1e3, 1e4, 1e5, 1e6, 1e7)


@dataclass(frozen=True, slots=True)
class Runs:
    """When the machine ran, from its amps or its status: stamps and state (1 running, 0 at rest)."""

    t: NDArray[np.int64]
    on: NDArray[np.bool_]
    low: float
    high: float

    @property
    def said(self) -> str:
        """Range of the amps in brackets, where there were any."""
        return f" (amps {self.low:g} to {self.high:g})" if self.high > self.low else ""


def settle_series(readings: Sequence[SourceResult]) -> tuple[SourceResult, ...]:
    """Mark what the points of all sources together show; values are kept."""
    out = [_counters(_communication(reading)) for reading in readings]
    runs = _runs(out)
    if runs is None:
        return tuple(out)
    return tuple(_stuck(reading, runs) for reading in out)


# communication


def _communication(reading: SourceResult) -> SourceResult:
    """While communication is off, the other points of its source are unknown."""
    comm = [switch for switch in reading.switches if switch.role is Role.COMMUNICATION]
    if not comm:
        return reading
    lost = comm[0]
    # where communication itself is not known, neither is what came over it
    away = lost.state != ON
    off = np.flatnonzero(away & ~np.concatenate(([False], away[:-1])))
    if not len(off):
        return reading
    ends = []
    for index in off:
        later = np.flatnonzero(lost.state[index:] == ON)
        ends.append(int(lost.t[index + later[0]]) if len(later) else 2**62)
    spans = [(int(lost.t[i]), end, int(lost.row[i])) for i, end in zip(off, ends, strict=True)]
    switches = tuple(
        switch if switch.role is Role.COMMUNICATION else _switch_lost(switch, spans) for switch in reading.switches
    )
    samples = tuple(_samples_lost(samples, spans) for samples in reading.samples)
    note = (
        f"{lost.origin.column}: communication was lost {len(spans)} times; the points of this source are unknown then"
    )
    return replace(reading, switches=switches, samples=samples, notes=(*reading.notes, note))


def _switch_lost(switch: Switch, spans: Sequence[tuple[int, int, int]]) -> Switch:
    state = switch.state.copy()
    for start, end, _ in spans:
        state[(switch.t >= start) & (switch.t < end)] = UNKNOWN
    t = np.concatenate((switch.t, np.array([start for start, _, _ in spans], np.int64)))
    order = np.argsort(t, kind="stable")
    return replace(
        switch,
        t=t[order],
        state=np.concatenate((state, np.full(len(spans), UNKNOWN, np.int8)))[order],
        row=np.concatenate((switch.row, np.array([row for _, _, row in spans], np.int64)))[order],
    )


def _samples_lost(samples: Samples, spans: Sequence[tuple[int, int, int]]) -> Samples:
    quality = samples.q.copy()
    for start, end, _ in spans:
        quality[(samples.t >= start) & (samples.t < end)] |= np.uint16(Quality.MISSING)
    if samples.origin.recorded is not Recorded.CHANGE:
        return replace(samples, q=quality)
    t = np.concatenate((samples.t, np.array([start for start, _, _ in spans], np.int64)))
    order = np.argsort(t, kind="stable")
    count = len(spans)
    return replace(
        samples,
        t=t[order],
        v=np.concatenate((samples.v, np.full(count, np.nan)))[order],
        q=np.concatenate((quality, np.full(count, int(Quality.MISSING), np.uint16)))[order],
        row=np.concatenate((samples.row, np.array([row for _, _, row in spans], np.int64)))[order],
    )


# counters


def _counters(reading: SourceResult) -> SourceResult:
    """Counters that fall: rolled over where they stood just below a round number or a power of two, else reset."""
    notes = list(reading.notes)
    samples = []
    for item in reading.samples:
        samples.append(_unrolled(item, notes) if item.role in _COUNTERS else item)
    return replace(reading, samples=tuple(samples), notes=tuple(notes))


def _without_false_zeros(samples: Samples, notes: list[str]) -> Samples:
    """A counter does not fall to zero and come back: such zeros are no readings."""
    good = np.flatnonzero(np.isfinite(samples.v))
    zeros = good[false_zeros(samples.v[good])]
    if not len(zeros):
        return samples
    notes.append(
        f"{samples.origin.column}: {len(zeros)} zeros between higher readings of the counter count as missing (first "
        f"on line {said_row(int(samples.row[zeros[0]]))})"
    )
    values, quality = samples.v.copy(), samples.q.copy()
    values[zeros] = np.nan
    quality[zeros] |= np.uint16(Quality.MISSING)
    return replace(samples, v=values, q=quality)


def _unrolled(samples: Samples, notes: list[str]) -> Samples:
    samples = _without_false_zeros(samples, notes)
    good = np.flatnonzero(np.isfinite(samples.v))
    values = samples.v[good]
    falls = np.flatnonzero(np.diff(values) < 0) + 1
    if not len(falls):
        return samples
    added = np.zeros(len(values))
    for index in falls:
        before, after = float(values[index - 1]), float(values[index])
        near = read_limits()["intake.rollover_share"]
        modulus = next((m for m in _MODULI if m * (1 - near) <= before < m and after < m * near), None)
        line = said_row(int(samples.row[good[index]]))
        if modulus is None:
            notes.append(
                f"{samples.origin.column}: the counter falls from {before:g} to {after:g} on line {line}: it was "
                "reset, or two counters are mixed"
            )
            continue
        added[index:] += modulus
        notes.append(
            f"{samples.origin.column}: the counter rolls over from {before:g} to {after:g} on line {line}; "
            f"{modulus:g} is added from there on"
        )
    out = samples.v.copy()
    out[good] = values + added
    return replace(samples, v=out)


# stuck values


def _runs(readings: Sequence[SourceResult]) -> Runs | None:
    amps = [s for r in readings for s in r.samples if s.role is Role.MOTOR_AMPS and len(s.usable)]
    if amps:
        fastest = min(amps, key=lambda s: s.interval_s).usable
        top = float(np.quantile(fastest.v, 0.95))
        if top > 0:
            return Runs(fastest.t, fastest.v > 0.05 * top, float(fastest.v.min()), float(fastest.v.max()))
    status = [s for r in readings for s in r.switches if s.role is Role.RUN_STATUS and len(s)]
    if not status:
        return None
    known = status[0].state != UNKNOWN
    return Runs(status[0].t[known], status[0].state[known] == ON, 0.0, 0.0)


def _stuck(reading: SourceResult, runs: Runs) -> SourceResult:
    notes = list(reading.notes)
    samples = []
    for item in reading.samples:
        if item.role in _MOVES_AT_A_STOP and item.origin.recorded is not Recorded.CHANGE:
            item = _marked(item, runs, notes)
        samples.append(item)
    return replace(reading, samples=tuple(samples), notes=tuple(notes))


def _marked(samples: Samples, runs: Runs, notes: list[str]) -> Samples:
    """Flag runs of one value that lie across a stop or a start of the machine.

    A pressure moves when the machine starts or stops; a reading that does not is not one. Flagged by behaviour: at
    least ``intake.stuck_readings`` equal readings, with ``intake.stuck_side_s`` of them running and as long at rest.
    """
    limits = read_limits()
    least, side_s = limits["intake.stuck_readings"], limits["intake.stuck_side_s"]
    good = np.flatnonzero(np.isfinite(samples.v))
    values, t = samples.v[good], samples.t[good]
    if len(values) < max(least, 2):
        return samples
    changes = runs.t[1:][np.diff(runs.on)]
    near = np.clip(np.searchsorted(t, changes), 1, len(values) - 1)
    if not (values[near] == values[near - 1]).any():
        return samples
    starts = np.flatnonzero(np.concatenate(([True], np.diff(values) != 0)))
    ends = np.append(starts[1:], len(values))
    quality = samples.q
    crossed = np.unique(np.searchsorted(t[starts], changes, side="right") - 1)
    crossed = crossed[(crossed >= 0) & (ends[crossed] - starts[crossed] >= least)] if len(crossed) else crossed
    for start, end in zip(starts[crossed], ends[crossed], strict=True):
        low, high = np.searchsorted(runs.t, [t[start], t[end - 1]], side="left")
        on = runs.on[low : int(high) + 1]
        times = runs.t[low : int(high) + 1]
        if not len(on) or on.all() or not on.any() or not _long_enough(times, on, side_s):
            continue
        if quality is samples.q:
            quality = samples.q.copy()
        quality[good[start:end]] |= np.uint16(Quality.STUCK)
        change = int(times[np.flatnonzero(np.diff(on))[0] + 1])
        notes.append(
            f"{samples.origin.column}: constant for {end - start} readings ({iso(int(t[start]))[11:16]}Z-"
            f"{iso(int(t[end - 1]))[11:16]}Z) while the machine "
            f"{'stopped' if on[0] else 'started'} at {iso(change)[11:16]}Z{runs.said}: it is marked stuck, kept, and "
            "proves nothing"
        )
    return samples if quality is samples.q else replace(samples, q=quality)


def _long_enough(times: NDArray[np.int64], on: NDArray[np.bool_], side_s: float) -> bool:
    """Whether the value holds on both sides of a change of state for the time asked."""
    steps = np.diff(times)
    if not len(steps):
        return False
    length = np.append(steps, np.median(steps)) / NS
    return float(length[on].sum()) >= side_s and float(length[~on].sum()) >= side_s
