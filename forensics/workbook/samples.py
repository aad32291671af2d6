"""Readings near a time as one DataFrame: raw samples, or a grid that says so."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forensics.errors import InputError, Problem
from forensics.model.points import NS, UNKNOWN, Samples, Span
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import ROLE_FACTS, Role
from forensics.report.context import ReportContext

BEFORE_S, AFTER_S = 600.0, 300.0
MOST_STEPS = 5_000_000
BELIEVED_INTERVALS = 3
_PAIR = 2

Point = Samples | Switch


def frame(
    sheet: ReportContext,
    roles: Iterable[Role | str] | Role | str | None,
    around: Any,
    reach_s: tuple[float, float],
    every: float | None,
) -> pd.DataFrame:
    """Readings of some roles near a time, a column a role; see :meth:`forensics.Workbook.frame`."""
    record = sheet.investigation.record
    span = span_of(sheet, around, reach_s)
    chosen = _points(record, roles)
    names = {f"{p.role.value}_{unit}" if (unit := ROLE_FACTS[p.role].unit) else p.role.value: p for p in chosen}
    if every is None:
        return _raw(names, span)
    return _grid(names, span, every)


def _raw(names: dict[str, Point], span: Span) -> pd.DataFrame:
    columns = {}
    for name, point in names.items():
        low, high = point.t.searchsorted([span.start_ns, span.end_ns])
        values = _values(point)[low:high]
        series = pd.Series(values, index=point.t[low:high], name=name)
        # of several rows with one stamp the last one stands; the others are in `rows` of a finding
        columns[name] = series[~series.index.duplicated(keep="last")]
    made = pd.concat(columns, axis=1).sort_index() if columns else pd.DataFrame()
    made.index = pd.to_datetime(np.asarray(made.index, dtype=np.int64), unit="ns", utc=True).rename("time_utc")
    return made


def _grid(names: dict[str, Point], span: Span, every: float) -> pd.DataFrame:
    if not np.isfinite(every) or every <= 0.0 or span.seconds / every > MOST_STEPS:
        text = f"every = {every:g} s can't be a step of a grid over {span.seconds:g} s"
        raise InputError([Problem(text, remedy=f"Give a step above 0 that makes at most {MOST_STEPS} rows.")])
    times = np.arange(span.start_ns, span.end_ns + 1, round(every * NS), dtype=np.int64)
    columns = {name: _at(point, times) for name, point in names.items()}
    index = pd.to_datetime(times, unit="ns", utc=True).rename("grid_utc")
    made = pd.DataFrame(columns, index=index)
    made.attrs["grid"] = (
        f"a grid of {every:g} s: the last reading at or before each step, none older than {BELIEVED_INTERVALS} "
        "intervals of its point"
    )
    return made


def _at(point: Point, times: NDArray[np.int64]) -> NDArray[np.float64]:
    if isinstance(point, Switch):
        return np.array([np.nan if (s := point.at(int(t))) == UNKNOWN else float(s) for t in times])
    changes = point.origin.recorded.value == "change"
    return point.at(times, None if changes else BELIEVED_INTERVALS * point.interval_s)


def _values(point: Point) -> NDArray[np.float64]:
    if isinstance(point, Switch):
        return np.where(point.state == UNKNOWN, np.nan, point.state.astype(np.float64))
    return point.v


def _points(record: Record, roles: Iterable[Role | str] | Role | str | None) -> list[Point]:
    if roles is None:
        have = [role for role in Role if record.point(role) is not None or record.switch(role) is not None]
        return [_point(record, role) for role in have]
    wanted = [roles] if isinstance(roles, str) else list(roles)
    problems, found = [], []
    for name in dict.fromkeys(wanted):
        try:
            found.append(_point(record, Role(name)))
        except ValueError:
            near = difflib.get_close_matches(str(name), [r.value for r in Role], n=1)
            hint = f" (did you mean '{near[0]}'?)" if near else ""
            problems.append(Problem(f"'{name}' is not a role{hint}", remedy="`forensics help case` lists the roles."))
        except LookupError:
            what = f"'{name}' has no point with readings in this case"
            problems.append(Problem(what, remedy="`points` lists those that have."))
    if problems:
        raise InputError(problems)
    return found


def _point(record: Record, role: Role) -> Point:
    found: Point | None = record.fastest(role)
    found = record.fastest_switch(role) if found is None else found
    if found is None:
        raise LookupError(role)
    return found


def span_of(sheet: ReportContext, around: Any, reach_s: tuple[float, float]) -> Span:
    """The span near a time: ``"failure"``, a stamp, a pair of stamps, or a span itself."""
    record, zone = sheet.investigation.record, sheet.investigation.casefile.case.time_zone
    if isinstance(around, Span):
        return around
    if isinstance(around, tuple | list):
        if len(around) != _PAIR:
            raise InputError([Problem(f"{around!r} is not a pair of stamps", remedy="Give (from, to).")])
        first, last = (time_ns(record, zone, one) for one in around)
        if last <= first:
            raise InputError([Problem("the second stamp is not after the first", remedy="Give (from, to).")])
        return Span(first, last)
    at = time_ns(record, zone, around)
    return Span(at - round(reach_s[0] * NS), at + round(reach_s[1] * NS))


def time_ns(record: Record, zone: str, given: Any) -> int:
    """Time in ns UTC of ``"failure"`` or a stamp, which is local to the case where it carries no offset."""
    if isinstance(given, str) and given == "failure":
        return record.failure_ns
    try:
        stamp = pd.Timestamp(given)
        if stamp.tzinfo is None:
            stamp = stamp.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
        return int(stamp.as_unit("ns").value)
    except (ValueError, TypeError, OverflowError):
        remedy = 'Give "failure", or a stamp such as "2031-03-14 05:12:30".'
        raise InputError([Problem(f"{given!r} is no time", remedy=remedy)]) from None
