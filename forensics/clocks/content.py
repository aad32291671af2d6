"""The clock of a waveform recorder by what its record holds: the current of one start or stop against the trend's amps.

A recorder writes a few seconds and shares one or two events with a trend, so that they fit at each of many starts. What
the trend read meanwhile tells them apart: at the right offset every reading lies within what the record's own RMS did
about its time, at a wrong one some do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.clocks.event_sequences import PHASE_AMPS, cycle_rms
from forensics.clocks.match import Pair
from forensics.model.points import NS, Samples
from forensics.model.record import Record, Waveform
from forensics.model.vocabulary import Role
from forensics.rules import Limits

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ContentFit:
    """Offsets at which the trend read what a record holds: intervals, s, apart from each other."""

    intervals_s: tuple[tuple[float, float], ...]
    readings: int


def by_content(record: Record, clock: str, reference: str, pairs: Sequence[Pair], limits: Limits) -> ContentFit | None:
    """Offsets of a recorder's clock that its current allows; None where it holds no current, or the trend none.

    Parameters
    ----------
    pairs
        Starts and stops of the record with those of the reference: where to look.
    """
    waves = [one for one in record.waveforms if one.clock == clock]
    point = _trend(record, reference)
    if not waves or point is None or not pairs:
        return None
    step_s = limits["clocks.content_step_s"]
    fits: list[float] = []
    most = 0
    for offset_s in _offsets(pairs, step_s, limits["clocks.jitter_s"]):
        counts = [_agrees(wave, point, offset_s, limits) for wave in waves]
        if all(count is not None for count in counts):
            fits.append(offset_s)
            most = max(most, sum(count or 0 for count in counts))
    if not fits or most < limits.count("clocks.content_readings"):
        return None
    return ContentFit(_grouped(np.array(fits), step_s), most)


def _trend(record: Record, reference: str) -> Samples | None:
    found = [s for s in record.samples.get(Role.MOTOR_AMPS, ()) if s.origin.clock == reference and len(s.usable) > 1]
    return min(found, key=lambda s: s.interval_s).usable if found else None


def _offsets(pairs: Sequence[Pair], step_s: float, room_s: float) -> Floats:
    spans = sorted((pair.low_s - room_s, pair.high_s + room_s) for pair in pairs)
    return np.unique(np.concatenate([np.round(np.arange(a, b + step_s, step_s) / step_s) for a, b in spans])) * step_s


def _agrees(wave: Waveform, point: Samples, offset_s: float, limits: Limits) -> int | None:
    """How many readings of a trend lie inside a record at an offset, where all of them fit its RMS; None: one does not.

    A meter averages and reports late: a reading fits where it lies between the least and the largest RMS of the seconds
    before it, sensor error granted.
    """
    phases = [wave.analog[role] for role in PHASE_AMPS if role in wave.analog]
    if not phases or wave.line_hertz <= 0.0 or not np.isfinite(wave.interval_s):
        return None
    width = max(round(1.0 / (wave.line_hertz * wave.interval_s)), 1)
    if len(phases[0]) <= width:
        return None
    rms = np.mean([cycle_rms(phase, width) for phase in phases], axis=0)
    first_ns = wave.start_ns - round(offset_s * NS)
    ends_s = wave.time_s[width:][: len(rms)]
    inside = point.between(first_ns, first_ns + round(float(ends_s[-1]) * NS))
    reach_s, error = limits["clocks.content_reach_s"], limits["clocks.content_error"]
    top = float(rms.max())
    fitting = 0
    for at_ns, value in zip(inside.t, inside.v, strict=True):
        at_s = (int(at_ns) - first_ns) / NS
        if at_s < reach_s:
            continue  # what it averaged began before the record
        low, high = np.searchsorted(ends_s, [at_s - reach_s, at_s + limits["clocks.jitter_s"]])
        seen = rms[low : max(int(high), int(low) + 1)]
        room = error * max(top / _SMALL, float(value))
        if not float(seen.min()) - room <= value <= float(seen.max()) + room:
            return None
        fitting += 1
    return fitting


_SMALL = 5.0
"""An inrush is some five times the running current: errors of a reading near nothing are a share of the running one."""


def _grouped(fits: Floats, step_s: float) -> tuple[tuple[float, float], ...]:
    apart = np.flatnonzero(np.diff(fits) > 1.5 * step_s) + 1
    return tuple((float(part[0]), float(part[-1])) for part in np.split(fits, apart))
