"""What one waveform record answers, and the small steps that every look at one shares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.model.record import Waveform
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import Limits

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class RecordAnswer:
    """What one record answers: outcome, the samples it rests on, value and words."""

    outcome: Outcome
    text: str = ""
    first: int = 0
    last: int = 0
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    limit_name: str = ""
    above: bool | None = None
    roles: tuple[Role, ...] = ()
    why_not: str = ""
    seconds: float | None = None


def unknown(why: str) -> RecordAnswer:
    """The answer cannot-tell, with what is missing."""
    return RecordAnswer(Outcome.CANNOT_TELL, why_not=why)


def cycle_width(waveform: Waveform, limits: Limits) -> int | None:
    """Samples in a cycle of the supply; None where they are too few to see phases."""
    if len(waveform.time_s) < 2 or waveform.line_hertz <= 0:  # noqa: PLR2004 - no spacing
        return None
    samples = 1 / waveform.line_hertz / waveform.interval_s
    return round(samples) if samples >= limits["waveform.samples_per_cycle_min"] else None


def longest_stretch(chosen: Bools, waveform: Waveform, min_s: float) -> tuple[int, int] | None:
    """First and last position of the longest true stretch that lasts ``min_s``."""
    edges = np.diff(np.concatenate(([0], chosen.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    if not len(starts):
        return None
    best = int(np.argmax(ends - starts))
    if (ends[best] - starts[best]) * waveform.interval_s < min_s:
        return None
    return int(starts[best]), int(ends[best])
