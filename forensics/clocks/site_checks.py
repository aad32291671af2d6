"""Checks of a clock that were noted on site: the clock's error, and whether an estimate agrees with them."""

from __future__ import annotations

from dataclasses import replace

from forensics.case.schema import CaseFile
from forensics.case.values import local_to_utc
from forensics.clocks.clock_fit import ClockFit
from forensics.model.points import NS
from forensics.model.vocabulary import ClockMethod
from forensics.rules import Limits


def checked_errors(casefile: CaseFile, clock: str, failure_ns: int, limits: Limits) -> ClockFit | None:
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
