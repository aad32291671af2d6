"""The offset of each clock at the failure, with an interval that holds, or the word that it is not possible."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from forensics.case.schema import CaseFile
from forensics.clocks.clock_fit import PPM, ClockFit
from forensics.clocks.content import by_content
from forensics.clocks.event_sequences import Trains, trains_of
from forensics.clocks.lag import correlate_clocks
from forensics.clocks.match import (
    Candidate,
    Entry,
    allowed,
    candidates,
    contradictions,
    line_pairings,
    pairings,
    take,
)
from forensics.clocks.offset_and_drift import HOUR_S, settle
from forensics.clocks.site_checks import checked_errors, hold_against_checks
from forensics.model.points import NS
from forensics.model.record import Record
from forensics.model.vocabulary import ClockMethod
from forensics.rules import Limits, read_limits


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
    checks = {clock: checked_errors(casefile, clock, record.failure_ns, limits) for clock in clocks}
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
        fit = settle(clock, near[0], _entries(record, ours, theirs, limits), record, limits)
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
