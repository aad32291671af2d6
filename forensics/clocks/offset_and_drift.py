"""Offset and drift that a set of paired events allows: intersect what each pair allows, drop what contradicts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.clocks.clock_fit import PPM, ClockFit
from forensics.clocks.late_lists import fit_late
from forensics.clocks.match import (
    Candidate,
    Entry,
    Pair,
    allowed,
    near_misses,
    one_kind_a_line,
    take,
)
from forensics.model.points import NS
from forensics.model.record import Record
from forensics.model.vocabulary import ClockMethod
from forensics.rules import Limits

HOUR_S = 3600.0
Vector = NDArray[Any]
SLACK_S = 1e-6


def settle(
    clock: str,
    best: Candidate,
    entries: list[Entry],
    record: Record,
    limits: Limits,
) -> ClockFit:
    """Offset at the failure from the pairs of the winning candidate, with drift where they need one."""
    reach_s = abs(best.offset_s) + HOUR_S
    drift_s = _reach_of(best.pairs) * limits["clocks.drift_ppm_usual"] * PPM
    spread_s = limits["clocks.jitter_s"] + limits["clocks.settle_drift_factor"] * drift_s
    pairs = allowed(entries, reach_s)
    chosen = one_kind_a_line(take(pairs, best.offset_s, spread_s))
    prompt = tuple(pair for pair in chosen if not (pair.ours.late or pair.theirs.late))
    if len(prompt) < limits.count("clocks.prompt_pairs"):
        late = _settle_late(clock, chosen, record, limits)
        if late is not None:
            return late
    chosen = prompt or chosen
    low = np.array([pair.low_s for pair in chosen])
    high = np.array([pair.high_s for pair in chosen])
    at_s = np.array([((p.theirs.earliest_ns + p.theirs.latest_ns) / 2.0 - record.failure_ns) / NS for p in chosen])
    return _with_spread(_solve(clock, chosen, low, high, at_s, limits), entries, record.failure_ns, limits)


def _settle_late(clock: str, chosen: tuple[Pair, ...], record: Record, limits: Limits) -> ClockFit | None:
    """Offset by lines that come late, where too few other events tell it; None where no pair is of one list only."""
    ours = [pair for pair in chosen if pair.ours.late and not pair.theirs.late]
    theirs = [pair for pair in chosen if pair.theirs.late and not pair.ours.late]
    more = ours if len(ours) >= len(theirs) else theirs
    pairs = sorted(more, key=lambda pair: abs(pair.theirs.earliest_ns - record.failure_ns))
    found = fit_late(
        pairs[: limits.count("clocks.list_pairs_max")],
        record.failure_ns,
        limits,
        ours_late=len(ours) >= len(theirs),
    )
    if found is None:
        return None
    low, _, high = found.offset_s
    slow, drift, fast = found.drift_ppm
    seen = None if slow <= 0.0 <= fast else drift
    note = (
        f"its lines come late, by up to {found.latest_s[1]:.1f} s ({found.latest_s[0]:.1f} to {found.latest_s[2]:.1f})"
    )
    return ClockFit(
        clock,
        (low + high) / 2.0,
        (high - low) / 2.0,
        ClockMethod.ESTIMATED,
        drift_ppm=seen,
        anchors=tuple(pairs),
        notes=(note,),
        late_s=found.latest_s[2],
    )


def _with_spread(fit: ClockFit, entries: list[Entry], failure_ns: int, limits: Limits) -> ClockFit:
    """Widen the offset where as many events of the same kinds come near each other as meet: it is no better known."""
    if fit.offset_s is None or fit.uncertainty_s is None or not fit.anchors:
        return fit
    kinds = {pair.kind for pair in fit.anchors}
    missed = near_misses([entry for entry in entries if entry.kind in kinds], fit.anchors, fit.at, failure_ns, limits)
    if len(missed) < len(fit.anchors) or max(missed) <= fit.uncertainty_s:
        return fit
    note = (
        f"{len(missed)} more events of the same kinds miss each other by up to {max(missed):.1f} s at this offset: "
        "it is no better known than that"
    )
    return replace(fit, uncertainty_s=max(missed) + fit.uncertainty_s, notes=(*fit.notes, note))


def _reach_of(pairs: tuple[Pair, ...]) -> float:
    times = [pair.theirs.earliest_ns for pair in pairs]
    return (max(times) - min(times)) / NS if times else 0.0


def _solve(
    clock: str,
    chosen: tuple[Pair, ...],
    low: Vector,
    high: Vector,
    at_s: Vector,
    limits: Limits,
) -> ClockFit:
    """Intersect what the pairs allow: constant first, then with drift, then without the few that contradict."""
    kept = np.ones(len(chosen), dtype=bool)
    inner, outer = float(low.max()), float(high.min())
    if inner <= outer:
        middle, width = (inner + outer) / 2.0, outer - inner
        reach = range_with_drift(low, high, at_s, limits["clocks.drift_ppm_usual"])
        half = width / 2.0
        if reach is not None:
            half = max(half, min(max(reach[1] - middle, middle - reach[0]), width))
        return ClockFit(clock, middle, half, ClockMethod.ESTIMATED, anchors=chosen)
    reach = range_with_drift(low, high, at_s, limits["clocks.drift_ppm_max"])
    if reach is None:
        kept = consistent_pairs(low, high, at_s, limits["clocks.drift_ppm_max"])
        reach = range_with_drift(low[kept], high[kept], at_s[kept], limits["clocks.drift_ppm_max"])
    if reach is None:
        return ClockFit(clock, None, None, ClockMethod.NOT_POSSIBLE, notes=("the shared events contradict each other",))
    a_low, a_high, b_low, b_high = reach
    steady = b_low <= 0.0 <= b_high
    drift = None if steady else (b_low + b_high) / 2.0
    dropped = int((~kept).sum())
    notes = (f"{dropped} of {len(chosen)} shared events do not fit and were left out",) if dropped else ()
    anchors = tuple(pair for pair, good in zip(chosen, kept, strict=True) if good)
    half = (a_high - a_low) / 2.0
    return ClockFit(
        clock, (a_low + a_high) / 2.0, half, ClockMethod.ESTIMATED, drift_ppm=drift, anchors=anchors, notes=notes
    )


def range_with_drift(
    low: Vector, high: Vector, at_s: Vector, ppm_max: float
) -> tuple[float, float, float, float] | None:
    """Ranges of offset (s, at the failure) and drift (ppm) that satisfy every pair; None where nothing does."""
    from scipy.optimize import linprog

    if len(low) == 0:
        return None
    scaled = at_s * PPM
    matrix = np.block([[np.ones((len(low), 1)), scaled[:, None]], [-np.ones((len(low), 1)), -scaled[:, None]]])
    bound = np.concatenate((high, -low))
    out: list[float] = []
    for cost in ([1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]):
        answer = linprog(cost, A_ub=matrix, b_ub=bound, bounds=[(None, None), (-ppm_max, ppm_max)], method="highs")
        if not answer.success or answer.x is None:
            return None
        out.append(float(answer.x[0] if cost[0] else answer.x[1]))
    return out[0], out[1], out[2], out[3]


def consistent_pairs(low: Vector, high: Vector, at_s: Vector, ppm_max: float) -> Vector:
    """Pairs that a line of least total miss satisfies (L1 fit as a linear programme)."""
    from scipy.optimize import linprog

    n = len(low)
    cost = np.concatenate(([0.0, 0.0], np.ones(n)))
    scaled = at_s * PPM
    eye = np.eye(n)
    matrix = np.block([[np.ones((n, 1)), scaled[:, None], -eye], [-np.ones((n, 1)), -scaled[:, None], -eye]])
    bounds = [(None, None), (-ppm_max, ppm_max), *[(0.0, None)] * n]
    answer = linprog(cost, A_ub=matrix, b_ub=np.concatenate((high, -low)), bounds=bounds, method="highs")
    if not answer.success or answer.x is None:
        return np.ones(n, dtype=bool)
    slack: Vector = answer.x[2:]
    return slack <= SLACK_S
