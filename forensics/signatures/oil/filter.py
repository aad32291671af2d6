"""Is the oil filter plugged: its drop, its share of the feed, its growth with viscosity and flow taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forensics.machine.duty.baseline import AlignedSamples, Floats, Mask
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, downgrade, make_finding
from forensics.signatures.core.like_duty import against_own, expect
from forensics.signatures.core.limits_and_baseline import ThresholdTest, against_limit, running

TYPICAL_CST = ((40.0, 68.0), (100.0, 8.7))
_REFERENCE_C = 55.0
_KELVIN = 273.15
_BLOCK_S = 1800
_BLOCK_LEAST = 6
_MOST_BLOCKS = 240
_BLOCKS_NEEDED = 5
_Z95 = 1.96


def walther_cst(temperature_c: Floats, low: tuple[float, float], high: tuple[float, float]) -> Floats:
    """Kinematic viscosity, mm2/s, from two known points: lg lg(v + 0.7) is straight in lg T (ASTM D341).

    Parameters
    ----------
    temperature_c
        degC, shape (n,).
    low, high
        Each a temperature in degC and the viscosity there, mm2/s.
    """
    (t1, v1), (t2, v2) = low, high
    y1, y2 = np.log10(np.log10(v1 + 0.7)), np.log10(np.log10(v2 + 0.7))
    x1, x2 = np.log10(t1 + _KELVIN), np.log10(t2 + _KELVIN)
    slope = (y2 - y1) / (x2 - x1)
    y = y1 + slope * (np.log10(np.asarray(temperature_c) + _KELVIN) - x1)
    return np.asarray(10.0 ** (10.0**y) - 0.7)


def theil_sen(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Median of all pairwise slopes, with the 95 % interval from Kendall's statistic (Sen 1968).

    Returns
    -------
    slope, low, high
        In y per x; NaN with fewer than two distinct x.
    """
    i, j = np.triu_indices(len(x), 1)
    run = x[j] - x[i]
    slopes = np.sort((y[j] - y[i])[run > 0.0] / run[run > 0.0])
    if not len(slopes):
        return float("nan"), float("nan"), float("nan")
    n = len(x)
    half = _Z95 * np.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    low = int(np.clip((len(slopes) - half) / 2.0, 0, len(slopes) - 1))
    high = int(np.clip((len(slopes) + half) / 2.0 + 1.0, 0, len(slopes) - 1))
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def difference_over(frame: AlignedSamples) -> Floats | None:
    """Feed less suction over a frame, kPa, shape (n,); None where it is not logged."""
    direct = frame.of(Role.OIL_PRESSURE_DIFFERENCE)
    if direct is not None:
        return direct
    feed, suction = frame.of(Role.OIL_PRESSURE), frame.of(Role.SUCTION_PRESSURE)
    return None if feed is None or suction is None else feed - suction


_FILTER = ((Role.OIL_FILTER_IN_PRESSURE,), (Role.OIL_PRESSURE,))


@detector("oil.filter_drop_high", running)
def filter_drop_high(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the filter's drop stayed above the change limit with hot oil, or took most of the feed."""
    drop = _drop(frame)
    if drop is None:
        return cannot_tell(check, "no trusted reading on both sides of the filter")
    level = ThresholdTest(
        check,
        drop,
        "kPa",
        "oil filter drop",
        check,
        above=True,
        lasting="oil.filter_drop_lasting",
        groups=_FILTER,
        sudden=False,
    )
    hot = against_limit(subject, frame, level)
    share = _filter_share(subject, frame, drop)
    if hot.outcome is Outcome.PRESENT or share is None:
        return hot
    look = replace(
        level,
        reading=share,
        unit="1",
        words="filter's share of the feed drop",
        limit_name="oil.filter_share",
        lasting="oil.sag_lasting",
    )
    taken = against_limit(subject, frame, look, _filled(subject, frame))
    if taken.outcome is Outcome.PRESENT:
        return _held_against_earlier_starts(subject, frame, drop, taken)
    return taken if hot.outcome is Outcome.CANNOT_TELL and hot.value is None else hot


def _held_against_earlier_starts(subject: Subject, frame: AlignedSamples, drop: Floats, taken: Finding) -> Finding:
    """A filter that takes most of the feed is plugged only where its drop itself is above that of earlier starts.

    Foaming or thin oil lets the bearings take less, and the same filter then has the larger share.
    """
    failing = np.asarray(frame.in_failing_run) & _filled(subject, frame) & np.isfinite(drop)
    if not failing.any():
        return taken
    since = frame.since_s[failing]
    alike = (frame.since_s >= since.min()) & (frame.since_s <= since.max()) & np.isfinite(drop)
    earlier = alike & ~np.asarray(frame.in_failing_run)
    if not earlier.any():
        return replace(taken, samples=min(taken.samples, 1))
    now, before = float(np.median(drop[failing])), float(np.median(drop[earlier]))
    if now >= subject.limits["oil.filter_growth"] * before:
        return taken
    why = (
        f"the filter took most of the feed, but its drop of {now:.0f} kPa is no more than in earlier starts "
        f"({before:.0f} kPa): foaming or thin oil does that"
    )
    return cannot_tell(taken.check, why)


def _drop(frame: AlignedSamples) -> Floats | None:
    entering, feed = frame.of(Role.OIL_FILTER_IN_PRESSURE), frame.of(Role.OIL_PRESSURE)
    return None if entering is None or feed is None else entering - feed


def _filled(subject: Subject, frame: AlignedSamples) -> Mask:
    return np.asarray(frame.since_s > subject.limits["oil.filter_share_after"])


def _filter_share(subject: Subject, frame: AlignedSamples, drop: Floats) -> Floats | None:
    """Share of the filter in the drop from filter inlet to suction; 0 where the drop is within sensor errors."""
    suction, entering = frame.of(Role.SUCTION_PRESSURE), frame.of(Role.OIL_FILTER_IN_PRESSURE)
    if suction is None or entering is None:
        return None
    whole = entering - suction
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(whole > 0.0, drop / whole, np.nan)
    return np.asarray(np.where(drop > subject.limits["oil.filter_share_drop"], share, np.where(whole > 0, 0.0, np.nan)))


@dataclass(frozen=True)
class _Blocks:
    """Half-hour medians of the filter's drop and of its resistance, hot and settled."""

    hours: Floats
    drop: Floats
    resistance: Floats
    first_ns: int
    last_ns: int


@detector("oil.filter_drop_growing", running)
def filter_drop_growing(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the filter's resistance grew over the record, with viscosity and flow taken out.

    The drop over a filter is laminar: it goes with viscosity times flow; flow goes with the root of the feed
    difference over the oil's jets. Half-hour medians of settled running, slope by Theil and Sen; else the last minutes
    against the machine's own earlier running, for a filter that plugs at once.
    """
    over_hours = _over_hours(subject, frame, check)
    if over_hours.outcome is Outcome.PRESENT:
        return over_hours
    at_end = _against_own(subject, frame, check)
    if at_end.outcome is Outcome.PRESENT or over_hours.value is None:
        return at_end
    return over_hours


def _against_own(subject: Subject, frame: AlignedSamples, check: str) -> Finding:
    """The resistance before the failure against the machine's own: a filter may plug within one run."""
    resistance, drop = _resistance(frame), _drop(frame)
    if resistance is None or drop is None:
        return cannot_tell(check, "no trusted reading on both sides of the filter")
    look = ThresholdTest(
        check,
        resistance,
        "1",
        "resistance of the oil filter",
        "oil.filter_growth",
        above=True,
        lasting="oil.sag_lasting",
        groups=_FILTER,
        sudden=False,
        ratio=True,
    )
    judged = against_own(subject, frame, look, expect(subject, frame, look, ()))
    if judged.outcome is not Outcome.PRESENT or judged.from_ns is None or judged.to_ns is None:
        return judged
    inside = (frame.t >= judged.from_ns) & (frame.t <= judged.to_ns)
    grown_kpa = float(np.nanmedian(drop[inside]) * (1.0 - 1.0 / (judged.value or 1.0)))
    if grown_kpa > subject.limits["oil.filter_growth_drop"]:
        return judged
    return downgrade(judged, f"the drop itself grew by {grown_kpa:.0f} kPa only")


def _over_hours(subject: Subject, frame: AlignedSamples, check: str) -> Finding:
    limits = subject.limits
    blocks = _blocks(frame)
    if blocks is None or (blocks.last_ns - blocks.first_ns) / NS < limits["oil.filter_growth_span"]:
        return cannot_tell(check, "too little settled running over hours to see a filter's drop grow")
    span_h = float(blocks.hours[-1] - blocks.hours[0])
    early = float(np.median(blocks.resistance[: max(2, len(blocks.hours) // 4)]))
    slope, low, high = (1.0 + s * span_h / early for s in _lasting_slope(blocks.hours, blocks.resistance))
    grown_kpa, _, most_kpa = (s * span_h for s in theil_sen(blocks.hours, blocks.drop))
    limit = limits["oil.filter_growth"]
    enough = grown_kpa > limits["oil.filter_growth_drop"]
    outcome = Outcome.CANNOT_TELL
    if low > limit and enough:
        outcome = Outcome.PRESENT
    elif high < limit or (slope < limit and most_kpa < limits["oil.filter_growth_drop"]):
        outcome = Outcome.ABSENT
    return make_finding(
        subject,
        check,
        outcome,
        f"Resistance, corrected for viscosity and flow, went to {slope:.2f} of its early value "
        f"over {span_h:.3g} h (95 %: {low:.2f} to {high:.2f}); the drop changed by {grown_kpa:+.0f} kPa.",
        Value(slope, low, high, "1", "oil.filter_growth", above=True),
        seen=Seen(
            (blocks.first_ns, blocks.last_ns),
            frame.cites(_FILTER, blocks.first_ns, blocks.last_ns),
            frame.interval_s(*_FILTER),
            len(blocks.hours),
        ),
        why_not="growth and scatter can't be told apart",
    )


def _lasting_slope(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Theil and Sen's slope with its interval drawn out for residuals that last from block to block.

    Notes
    -----
    Blocks count as ``(1 - r) / (1 + r)`` of independent ones at a correlation r from one to the next (Bayley and
    Hammersley 1946, from memory).
    """
    slope, low, high = theil_sen(x, y)
    left = y - slope * x - float(np.median(y - slope * x))
    power = float(left @ left)
    lasting = float(np.clip(left[1:] @ left[:-1] / power, 0.0, 0.9)) if power > 0.0 else 0.0
    wider = float(np.sqrt((1.0 + lasting) / (1.0 - lasting)))
    return slope, slope - (slope - low) * wider, slope + (high - slope) * wider


def _resistance(frame: AlignedSamples) -> Floats | None:
    """Drop over viscosity and flow, over a frame, shape (n,); None where one of them is not logged."""
    drop, difference, oil_c = _drop(frame), difference_over(frame), frame.of(Role.OIL_TEMPERATURE)
    if drop is None or difference is None:
        return None
    viscosity = np.ones(len(drop))
    if oil_c is not None:
        viscosity = walther_cst(oil_c, *TYPICAL_CST) / walther_cst(np.array([_REFERENCE_C]), *TYPICAL_CST)
    return np.asarray(drop / (viscosity * np.sqrt(np.maximum(difference, 1.0))))


def _blocks(frame: AlignedSamples) -> _Blocks | None:
    drop, resistance = _drop(frame), _resistance(frame)
    if drop is None or resistance is None:
        return None
    usable = np.flatnonzero(frame.settled & np.isfinite(resistance))
    if len(usable) < _BLOCK_LEAST:
        return None
    span_s = (int(frame.t[usable[-1]]) - int(frame.t[usable[0]])) / NS
    block_ns = round(max(_BLOCK_S, span_s / _MOST_BLOCKS) * NS)
    label = frame.t[usable] // block_ns
    cuts = np.flatnonzero(np.diff(label)) + 1
    rows = [
        (
            float(np.median(frame.t[part])) / NS / 3600.0,
            float(np.median(drop[part])),
            float(np.median(resistance[part])),
        )
        for part in np.split(usable, cuts)
        if len(part) >= _BLOCK_LEAST
    ]
    if len(rows) < _BLOCKS_NEEDED:
        return None
    hours, drops, resistances = (np.array(column) for column in zip(*rows, strict=True))
    if float(np.median(resistances[: max(2, len(rows) // 4)])) <= 0.0:
        return None
    return _Blocks(hours, drops, resistances, int(frame.t[usable[0]]), int(frame.t[usable[-1]]))
