"""Response and drift told apart: capacity moved in steps, fitted to seconds of load, of unload, and to time.

A leak moves the slide between pulses and takes back what pulses bring, so that the movement per second of command
alone mixes both. Fitted together, the part that goes with time is the drift and the parts that go with the commands
are the responses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.capacity import Capacity, Floats, Mask
from forensics.machine.commands import read_commands
from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.vocabulary import Recorded, Role
from forensics.signatures.slide.holds import stretches
from forensics.signatures.slide.lift import pressed, relation_of, robust_fit
from forensics.signatures.slide.motion import Bins, ran_since


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the movement with its interval (two standard errors)."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Rates:
    """What moved the capacity before the failure.

    Attributes
    ----------
    load, unload
        % per second of command in its own sense; None where that command hardly acted.
    drift
        % a minute towards load, lift taken out.
    timed
        Commands are timed: by a change log, or by samples no further apart than the shortest pulse.
    steps
        Number of steps of running time.
    span_ns
        Begin of the first and end of the last of them.
    """

    load: Part | None
    unload: Part | None
    drift: Part
    timed: bool
    steps: int
    span_ns: tuple[int, int]

    def towards(self, sign: float) -> Part:
        """The drift in the sense of load for 1, of unload for -1."""
        low, high = sorted((sign * self.drift.low, sign * self.drift.high))
        return Part(sign * self.drift.value, low, high)

    def of(self, sign: float) -> Part | None:
        """Response to load for 1, to unload for -1."""
        return self.load if sign > 0 else self.unload


def rates_of(subject: Subject, bins: Bins, source: Capacity, *, since_ns: int | None = None) -> Rates | None:
    """Fit the last ``slide.rates_min`` minutes of running away from the ends of travel, or those of them since a time.

    None where the steps do not tell the parts apart: a drift is what moves in steps without any command, so that enough
    of those must be there, and steps of a command that acted too seldom to be fitted are left out.
    """
    limits = subject.limits
    commands = read_commands(subject.record, subject.profile)
    both = [commands.get(role) for role in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID)]
    slowest = max((c.interval_s for c in both if c is not None), default=np.inf)
    if any(c is None for c in both) or slowest > limits["slide.pulse_interval_s"]:
        return None
    chosen = _chosen(subject, bins, source, subject.record.window.start_ns if since_ns is None else since_ns)
    acted = [int(np.sum(chosen & (s > 0.0))) >= limits["slide.rates_acting"] for s in (bins.load_s, bins.unload_s)]
    for seconds, there in zip((bins.load_s, bins.unload_s), acted, strict=True):
        chosen &= there | ~(seconds > 0.0)
    quiet = chosen & (bins.load_s == 0.0) & (bins.unload_s == 0.0)
    if int(chosen.sum()) < limits["slide.rates_steps"] or int(quiet.sum()) < limits["slide.rates_quiet"]:
        return None
    begin, end, load_s, unload_s = bins.begin[chosen], bins.end[chosen], bins.load_s[chosen], bins.unload_s[chosen]
    moved, doubt = bins.last[chosen] - bins.first[chosen], 0.0
    minutes = (end - begin) / NS / 60.0
    if not source.by_slide:
        relation = relation_of(subject, source, *stretches(subject, source))
        work = pressed(subject, begin, end, bins.first[chosen])
        if relation is None or work is None:
            return None
        # a pressure that was lost for a step moved as the others did: nothing is known of it that could be taken out
        work = np.where(np.isfinite(work), work, 0.0)
        moved = moved - relation.of(work)
        doubt = relation.doubt(np.asarray(np.sum(work, axis=0))) / float(np.sum(minutes))
    columns = [minutes]
    columns += [sign * s for sign, s, there in ((1.0, load_s, acted[0]), (-1.0, unload_s, acted[1])) if there]
    found, covariance = robust_fit(np.column_stack(columns), moved)
    error = np.sqrt(np.diag(covariance))
    parts = [Part(float(v), float(v - 2.0 * e), float(v + 2.0 * e)) for v, e in zip(found, error, strict=True)]
    drift = Part(parts[0].value, parts[0].low - doubt, parts[0].high + doubt)
    rest = iter(parts[1:])
    load, unload = (next(rest) if there else None for there in acted)
    timed = all(
        c is not None and (c.switch.origin.recorded is Recorded.CHANGE or c.interval_s <= limits["slide.pulse_least_s"])
        for c in both
    )
    return Rates(load, unload, drift, timed, int(chosen.sum()), (int(begin[0]), int(end[-1])))


def _chosen(subject: Subject, bins: Bins, source: Capacity, since_ns: int) -> Mask:
    """Steps with everything known and room to move both ways, counted back from the failure."""
    # of a current the travel is worth less than 100 %, and so is the distance to its ends
    near = subject.limits["slide.near_end"] * (source.high_end - source.low_end) / 100.0
    good = ran_since(subject, bins.begin) <= 3600.0 * subject.limits["slide.drift_reach_h"]
    good &= (
        np.isfinite(bins.load_s)
        & np.isfinite(bins.unload_s)
        & (bins.begin >= max(since_ns, subject.record.window.start_ns))
    )
    top = source.high_end - near if source.by_slide else subject.limits["slide.full_load"]
    for level in (bins.first, bins.last):
        with np.errstate(invalid="ignore"):
            good &= (level > source.low_end + near) & (level < top)
    left: Floats = np.cumsum(np.where(good, (bins.end - bins.begin) / NS / 60.0, 0.0)[::-1])[::-1]
    return np.asarray(good & (left <= subject.limits["slide.rates_min"]))
