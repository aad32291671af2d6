"""What is usual for this machine at like duty.

The usual is fitted to earlier running, against capacity and lift, and a later reading is held against it only where its
duty was seen before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.frame import (
    AlignedSamples,
    Episode,
    Floats,
    Mask,
    Times,
    cite,
    episodes,
    frame_of,
    max_age_s,
    rests_of,
    run_span,
    runs_of,
)
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS
from forensics.model.vocabulary import Role

__all__ = [
    "DISCHARGE",
    "HIGH_SIDE",
    "AlignedSamples",
    "Baseline",
    "Derived",
    "Episode",
    "Floats",
    "Mask",
    "Times",
    "above_all",
    "cite",
    "derived_of",
    "duty_of",
    "episodes",
    "frame_of",
    "max_age_s",
    "own_baseline",
    "rests_of",
    "run_span",
    "runs_of",
]

_DUTY_UNKNOWN = "like duty is not known: lift (both pressures and the refrigerant's data) or capacity is not logged"
_MAD_TO_SIGMA = 1.4826
_CELLS = 1009
_MOST_WEIGHT_S = 120.0
_CELL_LEAST = 12
HIGH_SIDE = (Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE, Role.HIGH_SIDE_PRESSURE)
DISCHARGE = (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE, Role.HIGH_SIDE_PRESSURE)


@dataclass(frozen=True)
class Derived:
    """Quantities of the refrigerant circuit over a frame, each shape (n,), NaN where a part is missing.

    Superheat stands on the dew line, subcooling on the bubble line.
    """

    suction_dew_c: Floats
    condensing_dew_c: Floats
    lift_k: Floats
    superheat_k: Floats
    discharge_superheat_k: Floats
    subcooling_k: Floats


@kept_with_owner
def derived_of(subject: Subject, frame: AlignedSamples) -> Derived:
    """Superheat (dew), subcooling (bubble) and lift over the subject's frame, made once."""
    blank = np.full(len(frame.t), np.nan)
    curve = subject.saturation
    if curve is None:
        return Derived(*([blank] * 6))

    def get(*roles: Role) -> Floats:
        found = frame.of(*roles)
        return blank if found is None else found

    dew_s, dew_h = curve.dew_c(get(Role.SUCTION_PRESSURE)), curve.dew_c(get(*HIGH_SIDE))
    return Derived(
        dew_s,
        dew_h,
        dew_h - dew_s,
        get(Role.SUCTION_TEMPERATURE) - dew_s,
        get(Role.DISCHARGE_TEMPERATURE) - curve.dew_c(get(*DISCHARGE)),
        curve.bubble_c(get(*HIGH_SIDE)) - get(Role.LIQUID_TEMPERATURE),
    )


def duty_of(subject: Subject, frame: AlignedSamples, *, lift: bool) -> tuple[tuple[Floats | None, float], ...]:
    """The duties that a usual is fitted to: capacity (slide, else amps), drive speed and, if wanted, lift.

    Lift is that of the saturation temperatures: NaN throughout where a pressure or the refrigerant's data is missing.
    """
    limits = subject.limits
    amps = frame.of(Role.MOTOR_AMPS)
    rated = subject.machine.rated_load_amps or (
        float(np.nanmax(amps)) if amps is not None and np.isfinite(amps).any() else 1.0
    )
    slide = frame.of(Role.SLIDE_POSITION)
    found: list[tuple[Floats | None, float]] = [(frame.of(Role.DRIVE_HERTZ), limits["duty.room_drive"])]
    if slide is not None:
        found.append((slide, limits["duty.room_slide"]))
    elif amps is not None:
        found.append((amps, limits["duty.room_amps"] * rated))
    if lift:
        found.append((derived_of(subject, frame).lift_k, limits["duty.room_lift"]))
    return tuple(found)


@dataclass(frozen=True)
class Baseline:
    """A reading against the machine's own earlier running at like duty.

    Attributes
    ----------
    deviation
        Reading less what is usual at that duty, shape (n,); NaN where the duty was not seen before.
    usual
        What is usual, shape (n,).
    sigma
        Robust spread of the earlier running about it; NaN where there is too little of it.
    baseline
        Which samples it rests on, shape (n,).
    recent
        Where the duty was seen only in the newer part of the earlier running, shape (n,): a fault that grew slowly may
        be part of what counts as usual there, so that nothing is said to be absent by it.
    why_not
        Why there is no usual, empty where there is.
    """

    deviation: Floats
    usual: Floats
    sigma: float
    baseline: Mask
    why_not: str
    recent: Mask | None = None


def own_baseline(
    subject: Subject,
    frame: AlignedSamples,
    reading: Floats,
    *duties: tuple[Floats | None, float],
    learn: Mask | None = None,
) -> Baseline:
    """Hold a reading against the machine's own earlier running.

    The baseline is the settled running that ended an hour or more before the failure (in short records: a quarter
    hour, in earlier runs); of a long record its older half, so that a fault which grew is not held against itself.
    Where the run that failed went at a duty which that half did not see, all earlier running is asked, and marked so.
    A least-squares plane over the duties, fitted twice with samples beyond four robust deviations left out, and the
    median of what it leaves at like duty give the usual.

    Parameters
    ----------
    reading
        Shape (n,).
    duties
        Each a quantity (n,), or None where another stands for it, and how far outside the range seen before it may
        lie. One that is NaN throughout leaves like duty unknown, and nothing is usual.
    learn
        Which samples may teach what is usual, shape (n,); None: all.
    """
    n = len(frame.t)
    blank = np.full(n, np.nan)
    columns = [(d, room) for d, room in duties if d is not None]
    if any(not np.isfinite(d).any() for d, _ in columns):
        return Baseline(blank, blank, float("nan"), blank > 0, _DUTY_UNKNOWN)
    usable = frame.settled & np.isfinite(reading)
    for duty, _ in columns:
        usable &= np.isfinite(duty)
    base, ran_s = _baseline(subject, frame, usable if learn is None else usable & learn)
    if ran_s < subject.limits["duty.baseline_least"]:
        return Baseline(blank, blank, float("nan"), base, "too little settled running earlier to know what is usual")
    if ran_s <= subject.limits["duty.baseline_long"]:
        return _fitted(reading, usable, base, columns)
    chosen = np.flatnonzero(base)
    older = np.zeros(n, dtype=bool)
    older[chosen[: len(chosen) // 2]] = True
    found = _fitted(reading, usable, older, columns)
    asked = usable & ~base & frame.in_failing_run
    unlike = asked & ~np.isfinite(found.deviation)
    if not columns or float(unlike.sum()) <= subject.limits["duty.unlike_share"] * float(asked.sum()):
        return found
    return _with_newer(found, _fitted(reading, usable, base, columns), unlike)


def _fitted(reading: Floats, usable: Mask, base: Mask, columns: list[tuple[Floats, float]]) -> Baseline:
    """What is usual by one baseline."""
    design = np.column_stack([np.ones(len(reading)), *(d for d, _ in columns)])
    centre = np.median(design[base], axis=0)
    centre[0] = 0.0
    usual, _ = _plane(design - centre, reading, base)
    usual = usual + _local(reading - usual, base, columns)
    left = (reading - usual)[base & np.isfinite(usual)]
    sigma = float(_MAD_TO_SIGMA * np.median(np.abs(left))) if len(left) else float("nan")
    like = usable & np.isfinite(usual)
    return Baseline(np.where(like, reading - usual, np.nan), usual, sigma, base, "")


def _with_newer(older: Baseline, newer: Baseline, unlike: Mask) -> Baseline:
    """The usual by the older running, and by all earlier running where the run that failed had a duty of its own."""
    recent = unlike & np.isfinite(newer.deviation)
    if not recent.any():
        return older
    return Baseline(
        np.where(recent, newer.deviation, older.deviation),
        np.where(recent, newer.usual, older.usual),
        float(np.nanmax([older.sigma, newer.sigma])),
        older.baseline,
        "",
        recent,
    )


def above_all(subject: Subject, frame: AlignedSamples, reading: Floats, capacity: Floats | None) -> Baseline:
    """Hold a reading against the highest of the machine's own earlier running, at any capacity up to the same.

    For a reading that only rises with capacity: more than ever, at no more capacity than ever, needs no like duty.

    Parameters
    ----------
    reading, capacity
        Shape (n,).
    """
    blank = np.full(len(frame.t), np.nan)
    if capacity is None:
        return Baseline(blank, blank, float("nan"), blank > 0, "no slide position or amps")
    base, ran_s = _baseline(subject, frame, frame.settled & np.isfinite(reading) & np.isfinite(capacity))
    if ran_s < subject.limits["duty.baseline_least"]:
        return Baseline(blank, blank, float("nan"), base, "too little settled running earlier to know what is usual")
    highest = float(np.percentile(reading[base], 99.0))
    known = capacity <= float(np.percentile(capacity[base], 99.0))
    return Baseline(np.where(known, reading - highest, np.nan), np.full(len(frame.t), highest), 0.0, base, "")


def _baseline(subject: Subject, frame: AlignedSamples, usable: Mask) -> tuple[Mask, float]:
    """Samples that may teach what is usual and for how long the machine ran in them, s."""
    limits = subject.limits
    n = len(frame.t)
    weight_s = np.minimum(np.diff(frame.t, prepend=frame.t[:1]) / NS, _MOST_WEIGHT_S) if n else np.empty(0)
    base, ran_s = np.zeros(n, dtype=bool), 0.0
    for gap in ("duty.baseline_gap", "duty.baseline_gap_short"):
        base = usable & (frame.t < subject.record.failure_ns - round(limits[gap] * NS))
        if gap == "duty.baseline_gap_short" and frame.failing >= 0:
            base &= ~frame.in_failing_run
        ran_s = float(np.sum(weight_s[base]))
        if ran_s >= limits["duty.baseline_least"]:
            break
    return base, ran_s


def _local(residual: Floats, base: Mask, columns: list[tuple[Floats, float]]) -> Floats:
    """Median of the baseline's residuals at like duty; NaN where that duty was hardly seen before.

    Duties are cut into cells as wide as their rooms, on two grids half a cell apart: a sample takes the cell that holds
    more of the baseline.
    """
    n = len(residual)
    if not columns:
        return np.full(n, float(np.median(residual[base])) if base.any() else np.nan)
    best, most = np.full(n, np.nan), np.zeros(n, dtype=np.int64)
    for shift in (0.0, 0.5):
        code = np.zeros(n, dtype=np.int64)
        for duty, room in columns:
            cell = np.floor(np.where(np.isfinite(duty), duty, 0.0) / room + shift).astype(np.int64)
            code = code * _CELLS + (cell % _CELLS)
        order = np.lexsort((residual[base], code[base]))
        codes, first, counts = np.unique(code[base][order], return_index=True, return_counts=True)
        middle = residual[base][order][first + counts // 2]
        at = np.minimum(np.searchsorted(codes, code), len(codes) - 1)
        held = np.where(codes[at] == code, counts[at], 0)
        take = (held > most) & (held >= _CELL_LEAST)
        best, most = np.where(take, middle[at], best), np.where(take, held, most)
    return best


def _plane(design: Floats, reading: Floats, base: Mask) -> tuple[Floats, float]:
    kept = base.copy()
    usual, sigma = np.full(len(reading), np.nan), float("nan")
    spread = np.std(design[base], axis=0)
    spread[0] = 1.0
    ridge = np.diag(np.where(spread > 0, 1e-3, 1.0)) * np.sqrt(float(kept.sum()))
    ridge[0, 0] = 0.0
    scale = np.where(spread > 0, spread, 1.0)
    for _ in range(2):
        a = np.vstack([design[kept] / scale, ridge])
        b = np.concatenate([reading[kept], np.zeros(len(scale))])
        solution = np.linalg.lstsq(a, b, rcond=None)[0]
        usual = (design / scale) @ solution
        residual = reading[base] - usual[base]
        sigma = float(_MAD_TO_SIGMA * np.median(np.abs(residual - np.median(residual))))
        kept = base.copy()
        kept[base] = np.abs(residual) <= max(4.0 * sigma, 1e-9)
        if kept.sum() < len(scale) + 2:
            break
    return usual, sigma
