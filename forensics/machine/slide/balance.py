"""The balance of movement and command over windows of minutes: right on average, whatever pulses were missed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forensics.machine.slide.estimates import (
    DEAD_SHARE,
    DRIFT,
    LOAD,
    SHORTEST_S,
    SIGMAS,
    STRENGTH,
    UNLOAD,
    Estimate,
    Floats,
    Mask,
    Moment,
    Part,
    Sizes,
)
from forensics.machine.slide.windows import Course, Pulses, Windows, cut
from forensics.stats.change import change_of_slope
from forensics.stats.errors_in_variables import moment_fit
from forensics.stats.robust import Fit, batches

_LEAST_SHARE = 0.05
_BALANCE_LENGTHS_S = (60.0, 120.0, 240.0, 480.0, 960.0)
_ERROR_SHARE = 0.1
_FEWEST_WINDOWS = 24
_SETTLING = 3
_LAGGED = 0.08  # what a lag of some seconds leaves of pulses at the ends of windows of a minute and more


def settled_balance(
    course: Course, sizes: Sizes, known: Part | None, until_ns: int | None, answering: frozenset[int]
) -> tuple[Balance | None, tuple[float, float]]:
    """The balance with the usual widths of pulses that it and their sizes agree on."""
    widths = _first_width(course.load), _first_width(course.unload)
    balance = None
    for _ in range(_SETTLING):
        balance = _balance(course, widths, known, until_ns, answering)
        if balance is None:
            break
        before, widths = (
            widths,
            (
                _width(course.load, sizes[0][0], balance.rate(LOAD), widths[0]),
                _width(course.unload, sizes[1][0], balance.rate(UNLOAD), widths[1]),
            ),
        )
        if np.allclose(before, widths, rtol=0.1):
            break
    return balance, widths


def _first_width(pulses: Pulses | None) -> float:
    return 0.0 if pulses is None else min(1.0, pulses.interval_s)


def _width(pulses: Pulses | None, size: float, rate: float, before: float) -> float:
    """Usual width of a pulse, s: what it moves over the rate at which the command moves."""
    if pulses is None or abs(rate) < 1.0 or size * rate <= 0:
        return before
    return float(np.clip(60.0 * size / rate, SHORTEST_S, max(pulses.interval_s, SHORTEST_S)))


@dataclass(frozen=True)
class Balance:
    """The fitted balance: columns of the three quantities at the end and, where split, before."""

    fit: Fit
    at_end: dict[int, int]
    before: dict[int, int]
    changes: dict[int, Moment]
    rows: dict[int, tuple[int, int, float, int]]

    def rate(self, which: int) -> float:
        """Rate of a quantity where it was largest."""
        columns = [c for c in (self.at_end.get(which), self.before.get(which)) if c is not None]
        return float(max((self.fit.found[c] for c in columns), key=abs, default=0.0))

    def part(self, which: int) -> Part | None:
        """The quantity with its interval, or None where it has no column."""
        if which not in self.at_end:
            return None
        first, last, minutes, count = self.rows[which]
        told = estimate_of if which == DRIFT else _gain
        before = told(self.fit, self.before[which]) if which in self.before else None
        end = told(self.fit, self.at_end[which])
        return Part(end, before, self.changes.get(which), (first, last), minutes, count)


def estimate_of(fit: Fit, column: int) -> Estimate:
    """A coefficient of a fit with its interval."""
    value, half = float(fit.found[column]), fit.half_width(column)
    return Estimate(value, value - half, value + half)


def _gain(fit: Fit, column: int) -> Estimate:
    """A gain, whose interval holds the lag of slide and sensor at both ends of a window as well."""
    found = estimate_of(fit, column)
    half = float(np.hypot(found.width, _LAGGED * found.value))
    return Estimate(found.value, found.value - half, found.value + half)


def _balance(
    course: Course,
    widths: tuple[float, float],
    known: Part | None,
    until_ns: int | None,
    answering: frozenset[int],
) -> Balance | None:
    """Fit the balance, splitting each quantity at the moment of its change where it has one.

    Where the drift is known, it is taken off, and its error goes into those of the gains; ``until_ns`` ends what is
    known of it. A command that answers at its pulses has not lost its gain.
    """
    slowest = max(p.interval_s for p in (course.load, course.unload) if p is not None) if commanded(course) else 0.0
    windows, still = _balance_windows(course, widths, slowest, centred=known is None)
    columns = [np.where(still, windows.away, 1.0) * windows.minutes, windows.load, windows.unload]
    errors = [np.zeros(len(windows)), windows.load_error, windows.unload_error]
    chosen = [k for k in range(3) if float(np.sum(columns[k])) > 0 and (known is None or k != DRIFT)]
    if not len(windows) or not chosen:
        return None
    drift_error = 0.0
    extra = [windows.work[:, k] for k in range(windows.work.shape[1])]
    if known is not None:
        early = windows.begin < (known.changed.at_ns if known.changed is not None and known.before is not None else 0)
        later = windows.begin >= (until_ns if until_ns is not None else np.iinfo(np.int64).max)
        if later.any():
            # at an end of travel a leak that holds it there looks like a command without response
            keep = ~(later & still)
            windows, later, early = windows.where(keep), later[keep], early[keep]
            columns, errors = [c[keep] for c in columns], [e[keep] for e in errors]
            extra = [x[keep] for x in extra]
            chosen = [k for k in (DRIFT, *chosen) if float(np.sum(np.abs(columns[k]))) > 0]
        if not later.any():
            chosen = [k for k in chosen if k != DRIFT]
        if not chosen:
            return None
        rate = np.where(early, known.end.value if known.before is None else known.before.value, known.end.value)
        windows = replace(windows, moved=windows.moved - np.where(later, 0.0, rate) * columns[DRIFT])
        columns[DRIFT] = np.where(later, columns[DRIFT], 0.0)
        drift_error = known.end.width / 2.0
    fixed = answering if known is None else answering | {DRIFT}
    fitted, changes = _with_changes(windows, columns, errors, chosen, extra, fixed)
    if fitted is None:
        return None
    if drift_error > 0.0:
        asked = _fit(replace(windows, moved=columns[DRIFT]), columns, errors, chosen, changes, extra)
        if asked is not None:
            lean = asked.fit.found
            whole = fitted.fit.covariance + drift_error**2 * np.outer(lean, lean)
            fitted = replace(fitted, fit=replace(fitted.fit, covariance=whole))
    return fitted.told(windows, columns, changes)


def _with_changes(
    windows: Windows,
    columns: list[Floats],
    errors: list[Floats],
    chosen: list[int],
    extra: list[Floats],
    fixed: frozenset[int],
) -> tuple[_Fitted | None, dict[int, tuple[Moment, int]]]:
    """The fit with each quantity, but those that are fixed, split at the moment of its change where it has one."""
    changes: dict[int, tuple[Moment, int]] = {}
    fitted = _fit(windows, columns, errors, chosen, changes, extra)
    for which in sorted(chosen, reverse=True):
        if fitted is None:
            break
        residual = windows.moved - fitted.fitted + columns[which] * fitted.end_rate(which)
        found = None if which in fixed else change_of_slope(columns[which], residual)
        if found is None or found.strength < STRENGTH:
            continue
        begin, end = windows.begin, windows.end
        moment = Moment(int(begin[found.at]), int(begin[found.low]), int(end[found.high]))
        tried = _fit(windows, columns, errors, chosen, {**changes, which: (moment, found.at)}, extra)
        if tried is not None and tried.differs(which):
            changes[which] = (moment, found.at)
            fitted = tried
    return fitted, changes


def _balance_windows(
    course: Course, widths: tuple[float, float], slowest_s: float, *, centred: bool
) -> tuple[Windows, Mask]:
    """The shortest windows in which commands vary by more than their error does, of those that are many enough."""
    chosen = None
    for length_s in _BALANCE_LENGTHS_S:
        if length_s < max(10.0 * slowest_s, 4.0 * course.interval_s) and length_s < _BALANCE_LENGTHS_S[-1]:
            continue
        windows = cut(course, length_s, widths)
        use, still = _usable(windows)
        windows, still = windows.where(use), still[use]
        if chosen is not None and len(windows) < _FEWEST_WINDOWS:
            break
        chosen = windows, still
        if len(windows) and all(
            float(np.sum(error)) <= _ERROR_SHARE * float(np.sum((acted - (np.mean(acted) if centred else 0.0)) ** 2))
            for acted, error in ((windows.load, windows.load_error), (windows.unload, windows.unload_error))
            if float(np.sum(acted)) > 0
        ):
            break
    assert chosen is not None
    return chosen


def commanded(course: Course) -> bool:
    """Whether a command of the slide is recorded."""
    return course.load is not None or course.unload is not None


def _usable(windows: Windows) -> tuple[Mask, Mask]:
    """Windows that tell something, and those of them that stood at an end of travel, where nothing drifts further.

    At an end of travel the movement is censored; only the command that leads away from it, given for a good part of
    the window and alone, must move the slide.
    """
    work = np.isfinite(windows.work).all(axis=1) & np.isfinite(windows.moved)
    share = np.maximum(windows.minutes, 1e-9)
    leaves_high = windows.high & ~windows.low & (windows.load == 0) & (windows.unload >= _LEAST_SHARE * share)
    leaves_low = windows.low & ~windows.high & (windows.unload == 0) & (windows.load >= _LEAST_SHARE * share)
    still = leaves_high | leaves_low
    return work & (still | ~(windows.high | windows.low)), still


@dataclass(frozen=True)
class _Fitted:
    fit: Fit
    fitted: Floats
    at_end: dict[int, int]
    before: dict[int, int]

    def end_rate(self, which: int) -> float:
        return float(self.fit.found[self.at_end[which]])

    def differs(self, which: int) -> bool:
        """Whether before and end lie further apart than their errors."""
        a, b = self.at_end[which], self.before[which]
        apart = self.fit.found[a] - self.fit.found[b]
        spread = self.fit.covariance[a, a] + self.fit.covariance[b, b] - 2.0 * self.fit.covariance[a, b]
        return bool(abs(apart) > SIGMAS * np.sqrt(max(spread, 1e-12)))

    def told(self, windows: Windows, columns: list[Floats], changes: dict[int, tuple[Moment, int]]) -> Balance:
        rows = {}
        for which in self.at_end:
            index = changes[which][1] if which in changes else 0
            acted = np.flatnonzero(columns[which][index:] > 0) + index
            span = (int(windows.begin[acted[0]]), int(windows.end[acted[-1]])) if len(acted) else (0, 0)
            rows[which] = (*span, float(np.sum(columns[which][index:])), len(acted))
        return Balance(self.fit, self.at_end, self.before, {k: m for k, (m, _) in changes.items()}, rows)


def _fit(
    windows: Windows,
    columns: list[Floats],
    errors: list[Floats],
    chosen: list[int],
    changes: dict[int, tuple[Moment, int]],
    extra: list[Floats],
) -> _Fitted | None:
    place = np.arange(len(windows))
    design: list[Floats] = []
    error: list[Floats] = []
    at_end: dict[int, int] = {}
    before: dict[int, int] = {}
    for which in chosen:
        index = changes[which][1] if which in changes else 0
        parts = [(place >= index, at_end)]
        if which in changes:
            parts.append((place < index, before))
        for rows, where in parts:
            where[which] = len(design)
            design.append(np.where(rows, columns[which], 0.0))
            error.append(np.where(rows, errors[which], 0.0))
    for column in extra:
        design.append(column)
        error.append(np.zeros(len(windows)))
    matrix = np.column_stack(design)
    fit = moment_fit(matrix, windows.moved, np.column_stack(error), batches(len(windows)))
    return None if fit is None else _Fitted(fit, matrix @ fit.found, at_end, before)


def if_answered(course: Course, balance: Balance) -> Part | None:
    """The balance's drift; open by all that a command is worth at its usual rate where it is not seen to answer.

    A slide that stands while it is commanded has lost its response, or drifts as fast as it is commanded.
    """
    drift = balance.part(DRIFT)
    if drift is None or drift.minutes <= 0.0:
        return None
    low, high = drift.end.low, drift.end.high
    for which, usual in ((LOAD, course.usual[0]), (UNLOAD, course.usual[1])):
        gain = balance.part(which)
        if gain is None or gain.end.turned(float(np.sign(usual))).low > DEAD_SHARE * abs(usual):
            continue
        worth = usual * gain.minutes / drift.minutes
        low, high = low - max(worth, 0.0), high - min(worth, 0.0)
    return replace(drift, end=Estimate(drift.end.value, low, high))
