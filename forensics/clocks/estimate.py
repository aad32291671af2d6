"""The offset of each clock at the failure, with an interval that holds, or the word that it is not possible."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.case.schema import CaseFile
from forensics.case.values import local_to_utc
from forensics.clocks.content import by_content
from forensics.clocks.event_sequences import Trains, trains_of
from forensics.clocks.lag import correlate_clocks
from forensics.clocks.late_lists import fit_late
from forensics.clocks.match import (
    Candidate,
    Entry,
    Pair,
    allowed,
    candidates,
    contradictions,
    line_pairings,
    near_misses,
    one_kind_a_line,
    pairings,
    take,
)
from forensics.model.points import NS
from forensics.model.record import Record
from forensics.model.vocabulary import ClockMethod
from forensics.rules import Limits, read_limits

HOUR_S = 3600.0
Vector = NDArray[Any]
PPM = 1e-6
SLACK_S = 1e-6


@dataclass(frozen=True, slots=True)
class ClockFit:
    """What is known of one clock.

    Attributes
    ----------
    offset_s, uncertainty_s
        Clock minus reference at the failure and its half width, s; None where not possible.
    drift_ppm
        Only where the anchors support it.
    utc_error_s
        Clock minus UTC, from a check noted on site.
    candidates_s
        Offsets that fit equally, where none may be chosen.
    anchors
        Pairs of sightings that the offset stands on.
    notes
        Sentences for the report: zone errors, disagreement with a check, what is missing.
    late_s
        How late the lines of a list come at most, s, where the clock stamps one and shared events tell it.
    """

    clock: str
    offset_s: float | None
    uncertainty_s: float | None
    method: ClockMethod
    drift_ppm: float | None = None
    utc_error_s: float | None = None
    candidates_s: tuple[float, ...] = ()
    anchors: tuple[Pair, ...] = ()
    notes: tuple[str, ...] = ()
    late_s: float | None = None

    def at(self, after_s: float) -> float:
        """Offset, s, at a time from the failure."""
        return (self.offset_s or 0.0) + (self.drift_ppm or 0.0) * PPM * after_s


def fit_clocks(record: Record, casefile: CaseFile, limits: Limits | None = None) -> tuple[ClockFit, ...]:
    """Offset and drift of every clock of the case against the reference.

    Parameters
    ----------
    record
        As stamped: every source on its own clock, ns UTC.
    limits
        Limits in use; those that ship where not given.
    """
    limits = limits or read_limits()
    reference = casefile.reference_clock
    clocks = list(dict.fromkeys([reference, *(casefile.clock_of(source) for source in casefile.source)]))
    checks = {clock: _checked_errors(casefile, clock, record.failure_ns, limits) for clock in clocks}
    base = trains_of(record, reference, limits) if len(clocks) > 1 else Trains()
    checked = checks[reference]
    error_s = checked.offset_s if checked is not None else None
    fits = [ClockFit(reference, 0.0, 0.0, ClockMethod.REFERENCE, utc_error_s=error_s)]
    fits += [_fit_one(record, c, trains_of(record, c, limits), reference, base, limits) for c in clocks[1:]]
    fits = [_tied(fit, fits, record, limits) if fit.method is ClockMethod.NOT_POSSIBLE else fit for fit in fits]
    return tuple(
        fit if fit.method is ClockMethod.REFERENCE else hold_against_checks(fit, checks[fit.clock], checks[reference])
        for fit in fits
    )


def align(record: Record, fits: Sequence[ClockFit], limits: Limits | None = None) -> Record:
    """Put every source on the reference clock, corrected to UTC where a check tells the reference's own error.

    A clock whose offset is not possible to tell keeps its stamps and gets an infinite uncertainty.
    """
    error_s = next((f.utc_error_s or 0.0 for f in fits if f.method is ClockMethod.REFERENCE), 0.0)
    shift = {fit.clock: (fit.offset_s or 0.0) + error_s for fit in fits}
    drifts = {fit.clock: fit.drift_ppm for fit in fits if fit.drift_ppm is not None}
    moved = record.shifted(shift, drifts)
    unsure = {f.clock: f.uncertainty_s if f.uncertainty_s is not None else float("inf") for f in fits}
    back = round(error_s * NS)
    if back:
        moved = replace(
            moved,
            failure_ns=record.failure_ns - back,
            window=replace(record.window, start_ns=record.window.start_ns - back, end_ns=record.window.end_ns - back),
            history=replace(
                record.history, start_ns=record.history.start_ns - back, end_ns=record.history.end_ns - back
            ),
        )
    late = {fit.clock: fit.late_s for fit in fits if fit.late_s is not None}
    unknown_s = (limits or read_limits())["clocks.list_unknown_s"]
    lateness = {line.source: late.get(line.clock, unknown_s) for line in record.log}
    return replace(moved, clock_uncertainty_s=unsure, lateness_s=lateness)


def _fit_one(record: Record, clock: str, ours: Trains, reference: str, theirs: Trains, limits: Limits) -> ClockFit:
    near, late_s = _search(record, ours, theirs, limits["clocks.search_s"], limits)
    notes: tuple[str, ...] = ()
    if _weak(near):
        wide, wide_late_s = _search(record, ours, theirs, limits["clocks.zone_search_h"] * HOUR_S, limits)
        if wide and not _weak(wide) and len(wide[0].pairs) > 1 + (len(near[0].pairs) if near else 0):
            near, late_s, notes = wide, wide_late_s, _zone_note(wide[0].offset_s, limits)
    if near and not _weak(near):
        if ours.has_lists and theirs.has_lists:
            ours, theirs = ours.prompt(late_s), theirs.prompt(late_s)
        fit = _settle(clock, near[0], _entries(record, ours, theirs, limits), record, limits)
        return replace(fit, notes=(*notes, *fit.notes))
    content = _by_content(record, clock, reference, _entries(record, ours, theirs, limits), limits)
    if content is not None:
        return content
    lag = None if near else correlate_clocks(record, clock, reference, limits)
    if lag is not None:
        offset_s, unsure_s = lag
        note = "no shared events; offset by cross-correlation of a quantity that both clocks logged"
        return ClockFit(clock, offset_s, unsure_s, ClockMethod.ESTIMATED, notes=(note,))
    several = tuple(round(c.offset_s, 1) for c in near)
    why = "events that both clocks saw fit at several offsets" if several else "no event was seen by both clocks"
    return ClockFit(clock, None, None, ClockMethod.NOT_POSSIBLE, candidates_s=several, notes=(why,))


def _by_content(record: Record, clock: str, reference: str, entries: list[Entry], limits: Limits) -> ClockFit | None:
    """The clock of a waveform recorder by the current that its record holds; None where that does not tell it."""
    if not any(wave.clock == clock for wave in record.waveforms):
        return None
    pairs = allowed([e for e in entries if e.kind in ("start", "stop")], limits["clocks.search_s"])
    found = by_content(record, clock, reference, pairs, limits)
    if found is None:
        return None
    if len(found.intervals_s) > 1:
        several = tuple(round((a + b) / 2.0, 1) for a, b in found.intervals_s)
        why = "what the trend read fits the recorded current at several offsets"
        return ClockFit(clock, None, None, ClockMethod.NOT_POSSIBLE, candidates_s=several, notes=(why,))
    low, high = found.intervals_s[0]
    note = f"by content: at no other offset do the {found.readings} readings of the trend fit the recorded current"
    half = (high - low) / 2.0 + limits["clocks.jitter_s"]
    return ClockFit(clock, (low + high) / 2.0, half, ClockMethod.ESTIMATED, notes=(note,))


def _tied(fit: ClockFit, fits: Sequence[ClockFit], record: Record, limits: Limits) -> ClockFit:
    """A clock that shares no telling event with the reference, by another clock that does and shares events with it."""
    best: ClockFit | None = None
    ours = trains_of(record, fit.clock, limits)
    for other in fits:
        if other.offset_s is None or other.uncertainty_s is None or other.method is ClockMethod.REFERENCE:
            continue
        theirs = trains_of(record, other.clock, limits)
        apart = _fit_one(record, fit.clock, ours, other.clock, theirs, limits)
        if apart.offset_s is None or apart.uncertainty_s is None:
            continue
        half = apart.uncertainty_s + other.uncertainty_s
        if best is None or best.uncertainty_s is None or half < best.uncertainty_s:
            note = f"by events that it shares with the clock '{other.clock}', which the reference lacks"
            best = replace(
                apart,
                offset_s=apart.offset_s + other.offset_s,
                uncertainty_s=half,
                drift_ppm=None,
                notes=(*apart.notes, note),
            )
    return fit if best is None else best


def _entries(record: Record, ours: Trains, theirs: Trains, limits: Limits) -> list[Entry]:
    """Kinds of event that both clocks saw, the sightings nearest to the failure."""
    most = limits.count("clocks.sightings_max")
    return [x.near(record.failure_ns, most) for x in pairings(ours, theirs) + line_pairings(ours, theirs)]


def _search(
    record: Record, ours: Trains, theirs: Trains, search_s: float, limits: Limits
) -> tuple[list[Candidate], float]:
    """Offsets that fit, best first, and how late lists then are at most: the more prompt, the fewer offsets fit."""
    slack_s = _drift_slack_s(ours.extent, theirs.extent, limits)
    near: list[Candidate] = []
    for late_s in (0.0, limits["clocks.list_unknown_s"], limits["clocks.list_delay_s"]):
        entries = _entries(record, ours.prompt(late_s), theirs.prompt(late_s), limits)
        found = _best(entries, slack_s, search_s, limits)
        if found and not _weak(found):
            return found, late_s
        near = near or found
        if not (ours.has_lists or theirs.has_lists):
            break
    return near, limits["clocks.list_delay_s"]


def _best(entries: list[Entry], slack_s: float, search_s: float, limits: Limits) -> list[Candidate]:
    """Candidates that fit, best first; more than one means that none may be chosen."""
    jitter_s = limits["clocks.jitter_s"] + slack_s
    pairs = allowed(entries, search_s)
    found: list[Candidate] = []
    for low, high, _ in candidates(pairs, jitter_s, limits):
        middle = (low + high) / 2.0
        chosen = take(pairs, middle, jitter_s)
        found.append(Candidate(low, high, chosen, contradictions(entries, chosen, middle)))
    found = [c for c in found if c.fits(limits["clocks.contradiction_share_max"])]
    found.sort(key=lambda c: (-(len(c.pairs) - c.contradictions), abs(c.offset_s)))
    if not found:
        return []
    best = len(found[0].pairs)
    return [c for c in found if len(c.pairs) > limits["clocks.rival_share"] * best]


def _drift_slack_s(ours: tuple[int, int], theirs: tuple[int, int], limits: Limits) -> float:
    """How far an ordinary drift moves events apart over half of what both clocks cover."""
    low, high = max(ours[0], theirs[0]), min(ours[1], theirs[1])
    return max(high - low, 0) / NS / 2.0 * limits["clocks.drift_ppm_usual"] * PPM


def _weak(found: list[Candidate]) -> bool:
    """No candidate, several of them, or one lone event that others could stand for."""
    return len(found) != 1


def _zone_note(offset_s: float, limits: Limits) -> tuple[str, ...]:
    hours = round(offset_s / HOUR_S)
    rest_s = offset_s - hours * HOUR_S
    if hours == 0 or abs(rest_s) > limits["clocks.zone_tolerance_s"]:
        return (f"the clock is {offset_s / HOUR_S:+.2f} h from the reference: check the zone of its stamps",)
    return (f"whole-hour zone error: the stamps are {hours:+d} h off and {rest_s:+.1f} s besides; correct time_zone",)


def _settle(
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
        reach = _range_with_drift(low, high, at_s, limits["clocks.drift_ppm_usual"])
        half = width / 2.0
        if reach is not None:
            half = max(half, min(max(reach[1] - middle, middle - reach[0]), width))
        return ClockFit(clock, middle, half, ClockMethod.ESTIMATED, anchors=chosen)
    reach = _range_with_drift(low, high, at_s, limits["clocks.drift_ppm_max"])
    if reach is None:
        kept = _consistent(low, high, at_s, limits["clocks.drift_ppm_max"])
        reach = _range_with_drift(low[kept], high[kept], at_s[kept], limits["clocks.drift_ppm_max"])
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


def _range_with_drift(
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


def _consistent(low: Vector, high: Vector, at_s: Vector, ppm_max: float) -> Vector:
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


def _checked_errors(casefile: CaseFile, clock: str, failure_ns: int, limits: Limits) -> ClockFit | None:
    """Clock minus UTC at the failure from the checks noted on site; several: their spread is its half width."""
    errors: list[tuple[float, float]] = []
    for source in casefile.source:
        if casefile.clock_of(source) != clock:
            continue
        zone = source.time_zone or casefile.case.time_zone
        for check in source.clock_check:
            shown = local_to_utc(check.at, zone if zone[:1] not in "+-" else casefile.case.time_zone)
            true = local_to_utc(check.true_time, casefile.case.time_zone)
            errors.append(((true.timestamp() - failure_ns / NS), shown.timestamp() - true.timestamp()))
    if not errors:
        return None
    errors.sort(key=lambda item: abs(item[0]))
    values = [error for _, error in errors]
    half = max((max(values) - min(values)) / 2.0, limits["clocks.check_reading_s"])
    return ClockFit(clock, errors[0][1], half, ClockMethod.GIVEN)


def hold_against_checks(fit: ClockFit, check: ClockFit | None, reference: ClockFit | None) -> ClockFit:
    """Use a check noted on site where nothing could be estimated, and hold it against the estimate where it could."""
    if check is None or check.offset_s is None:
        return fit
    if reference is None or reference.offset_s is None:
        note = "a clock check is noted, but none for the reference clock: it tells UTC, not the offset to the reference"
        return replace(fit, utc_error_s=check.offset_s, notes=(*fit.notes, note))
    given_s = check.offset_s - reference.offset_s
    half = (check.uncertainty_s or 0.0) + (reference.uncertainty_s or 0.0)
    if fit.offset_s is None or fit.uncertainty_s is None:
        near = [c for c in fit.candidates_s if abs(c - given_s) <= half]
        chosen = near[0] if len(near) == 1 else given_s
        note = "the offset is from clock checks noted on site"
        return ClockFit(
            fit.clock, chosen, half, ClockMethod.GIVEN, utc_error_s=check.offset_s, notes=(*fit.notes, note)
        )
    apart_s = abs(fit.offset_s - given_s)
    word = "agrees with" if apart_s <= half + fit.uncertainty_s else "contradicts"
    note = f"the clock checks noted on site give {given_s:+.1f} s, which {word} the estimate"
    return replace(fit, utc_error_s=check.offset_s, notes=(*fit.notes, note))
