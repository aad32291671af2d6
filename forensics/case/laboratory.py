"""A laboratory value against its own history: the slope over running hours or days, where there is one."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from forensics.case.job import Sample
from forensics.case.schema import CaseFile
from forensics.case.values import local_to_utc

FEWEST = 3  # two samples give a line and no spread
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class LabHistory:
    """One kind of value at one place, oldest first.

    Attributes
    ----------
    per
        ``h since change`` or ``day``: what ``slope`` is per.
    slope, low, high
        Theil–Sen slope with its 95 % interval, in ``unit`` per ``per``; None with fewer than three values.
    why_not
        Why there is no slope.
    """

    kind: str
    sample: str
    place: str
    unit: str
    values: tuple[float, ...]
    at: tuple[float, ...]
    per: str
    slope: float | None = None
    low: float | None = None
    high: float | None = None
    why_not: str = ""


def lab_histories(case: CaseFile) -> tuple[LabHistory, ...]:
    """Every kind of value by kind of sample, place and unit; values of another place are another history.

    Running hours since the change are the abscissa where every sample tells them and no change lies between (the
    hours rise with time); else days, and after an oil change the older samples are left out.
    """
    groups: dict[tuple[str, str, str, str], list[tuple[Sample, float]]] = defaultdict(list)
    for sample in case.sample:
        for value in sample.value:
            groups[(value.kind, sample.kind, sample.place, value.unit)].append((sample, value.value))
    return tuple(_history(key, rows, case.case.time_zone) for key, rows in groups.items())


def _history(key: tuple[str, str, str, str], rows: list[tuple[Sample, float]], zone: str) -> LabHistory:
    kind, sample, place, unit = key
    values = tuple(value for _, value in rows)
    dated = [(local_to_utc(row.time, zone), row, value) for row, value in rows if row.time is not None]
    if len(dated) < len(rows):
        why = f"{len(rows) - len(dated)} of {len(rows)} samples have no time"
        return LabHistory(kind=kind, sample=sample, place=place, unit=unit, values=values, at=(), per="", why_not=why)
    kept = _since_change(sorted(dated, key=lambda item: item[0]))
    values = tuple(value for _, _, value in kept)
    hours = [row.hours_since_change for _, row, _ in kept]
    if all(hour is not None for hour in hours):
        at, per = tuple(float(hour) for hour in hours if hour is not None), "h since change"
    else:
        at, per = tuple((when - kept[0][0]).total_seconds() / DAY_S for when, _, _ in kept), "day"
    left = f"; {len(rows) - len(kept)} before the change are left out" if len(kept) < len(rows) else ""
    if len(kept) < FEWEST or len(set(at)) < FEWEST:
        why = f"{len(kept)} of at least {FEWEST} values that a slope needs{left}"
        return LabHistory(kind=kind, sample=sample, place=place, unit=unit, values=values, at=at, per=per, why_not=why)
    from scipy.stats import theilslopes

    fit = theilslopes(values, at, alpha=0.95)
    return LabHistory(
        kind=kind,
        sample=sample,
        place=place,
        unit=unit,
        values=values,
        at=at,
        per=per,
        slope=float(fit.slope),
        low=float(fit.low_slope),
        high=float(fit.high_slope),
        why_not=left,
    )


def _since_change(rows: list[tuple[datetime, Sample, float]]) -> list[tuple[datetime, Sample, float]]:
    """The samples after the last change: where the hours since the change step back, oil was changed in between."""
    first, before = 0, None
    for n, (_, row, _) in enumerate(rows):
        hours = row.hours_since_change
        if hours is not None and before is not None and hours < before:
            first = n
        before = hours if hours is not None else before
    return rows[first:]
