"""When faults act and how strongly: onset, growth, and the instants at which they strike."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

from .builds import Build
from .effects import Effects
from .faults import FAULTS, variant_of

WEEK_S = 7.0 * 86400.0


@dataclass(slots=True)
class Acting:
    """One fault in a run.

    Attributes
    ----------
    begin_s, full_s
        It begins and has its full amount; equal where it is sudden.
    strikes_s
        Instants of its events, rising.
    """

    fault: str
    severity: str
    onset: str
    begin_s: float
    full_s: float
    variant: int
    strikes_s: list[float] = field(default_factory=list)

    def share(self, t: float) -> float:
        """Share of its full amount, 0 to 1."""
        if t < self.begin_s:
            return 0.0
        if t >= self.full_s:
            return 1.0
        return (t - self.begin_s) / (self.full_s - self.begin_s)

    def amount(self, t: float) -> float:
        """Amount in the unit of the fault."""
        return FAULTS[self.fault].amount(self.severity, self.share(t))


def windows_of(hours: float, onset: str) -> list[tuple[float, float]]:
    """Spans that were recorded, s: the whole run, or one part a week where a fault takes weeks."""
    if onset != "weeks":
        return [(0.0, hours * 3600.0)]
    part = hours * 3600.0 / 4.0
    return [(week * WEEK_S, week * WEEK_S + part) for week in range(4)]


def acting(
    build: Build, fault: str, severity: str, onset: str, seed: int, spans: Sequence[Sequence[tuple[float, float]]]
) -> Acting:
    """Place a fault in a run: after some healthy cycles, so that the machine has a history of its own.

    Parameters
    ----------
    spans
        Spans in which cooling is asked for, one list for every recorded window.
    """
    rng = random.Random(f"onset {fault} {seed}")
    runs = [span for window in spans for span in window]
    begin, end = runs[0][0], runs[-1][1]
    healthy = max(1, round(len(runs) * rng.uniform(0.35, 0.5)))
    first = runs[min(healthy, len(runs) - 1)]
    if onset == "sudden":
        start = full = (
            first[0] - 90.0 if rng.random() < 0.5 or fault in _FROM_REST else first[0] + 0.35 * (first[1] - first[0])
        )
    elif onset == "hours":
        start, full = first[0], first[0] + 0.8 * (end - first[0])
    else:
        start, full = spans[1][0][0] if len(spans) > 1 else begin, end - 0.15 * (spans[-1][-1][1] - spans[-1][0][0])
    made = Acting(fault, severity, onset, start, full, variant_of(fault, seed))
    if FAULTS[fault].event:
        made.strikes_s = _strikes(made, [run for run in runs if run[1] > start], rng)
    return made


_FROM_REST = frozenset({"wrong-phase-sequence", "flooded-start", "sequence-error", "short-cycling"})


def _strikes(made: Acting, runs: Sequence[tuple[float, float]], rng: random.Random) -> list[float]:
    long = [run for run in runs if run[1] - run[0] > 900.0] or list(runs)
    if made.fault in ("insulation-failure", "bearing-or-rotor-damage", "drive-fault"):
        chosen = long[-1:]  # the end of a chain of its own
    elif made.onset == "sudden":
        chosen = long[:1] if len(long) < 2 or rng.random() < 0.5 else long[1:2]
    else:
        chosen = long[:: max(1, len(long) // 4)]
    return [start + max(420.0, rng.uniform(0.45, 0.7) * (end - start)) for start, end in chosen]


def effects_at(build: Build, faults: Sequence[Acting], t: float) -> Effects:
    """Effects of all faults at a time."""
    fx = Effects()
    for one in faults:
        share = one.share(t)
        if share > 0.0:
            fault = FAULTS[one.fault]
            fault.act(fx, fault.amount(one.severity, share), one.variant, build)
    return fx
