"""From wall-clock time to UTC: repeated and skipped hours, and the letters of a zone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

_SECOND = 10**9
_TWO, _FEW, _REGULAR, _MOSTLY = 2, 3, 0.9, 0.75
_TWO_DAYS_S, _WEEK_S = 2 * 86_400, 7 * 86_400
_NAMED = re.compile(
    r"(?i)(?:^|[^a-z])(?:UTC|GMT|Zulu)"
    r"(?:\s*(?P<sign>[+-])\s*(?P<hours>\d{1,2})(?::?(?P<minutes>\d{2}))?)?(?![a-z]|[ _]?off)"
)
_FIXED = re.compile(r"([+-])(\d{2}):(\d{2})")


@dataclass(frozen=True, slots=True)
class Utc:
    """Stamps in UTC.

    Attributes
    ----------
    t
        ns UTC, int64.
    skipped
        Wall-clock times that do not exist in the zone.
    unsettled
        Times of a repeated hour whose pass can't be told.
    repeated
        Number of stamps that lie in a repeated hour and were settled by the order of the file.
    skip_ns
        How far the clock jumps where times are skipped.
    """

    t: NDArray[np.int64]
    skipped: NDArray[np.bool_]
    unsettled: NDArray[np.bool_]
    repeated: int
    skip_ns: int = 0


def fixed_offset_s(zone: str) -> int | None:
    """Seconds of a fixed offset such as ``-06:00``; None for a named zone."""
    match = _FIXED.fullmatch(zone)
    if match is None:
        return None
    return int(match[1] + "1") * (int(match[2]) * 3600 + int(match[3]) * 60)


def zone_of_name(name: str) -> str | None:
    """The zone that the name of a time column says: ``Time (UTC)``, ``Timestamp GMT+1``; None where it says none."""
    match = _NAMED.search(name)
    if match is None:
        return None
    hours, minutes = int(match["hours"] or 0), int(match["minutes"] or 0)
    return f"{match['sign']}{hours:02d}:{minutes:02d}" if hours or minutes else "UTC"


def offsets_at(wall_ns: int, zone: str) -> tuple[int, ...]:
    """Offsets from UTC in s that a wall clock may mean: one, or two where an hour comes twice, the first pass first."""
    fixed = fixed_offset_s(zone)
    if fixed is not None:
        return (fixed,)
    naive = datetime(1970, 1, 1, tzinfo=ZoneInfo(zone)) + timedelta(seconds=wall_ns // _SECOND)
    found = [naive.replace(fold=fold).utcoffset() or timedelta() for fold in (0, 1)]
    return tuple(dict.fromkeys(round(offset.total_seconds()) for offset in found))


def offset_of(utc_ns: int, zone: str) -> int:
    """Offset from UTC in s that a zone has at an instant."""
    fixed = fixed_offset_s(zone)
    return fixed if fixed is not None else _offset(ZoneInfo(zone), _moment(utc_ns // _SECOND))


def offset_text(seconds: int) -> str:
    """An offset as it is written: ``-06:00``."""
    return f"{'-' if seconds < 0 else '+'}{abs(seconds) // 3600:02d}:{abs(seconds) % 3600 // 60:02d}"


def transitions(zone: str, first_ns: int, last_ns: int) -> list[tuple[int, int, int]]:
    """Changes of offset between two wall-clock times: (UTC s, offset before, offset after), s."""
    info = ZoneInfo(zone)
    here = max(first_ns // _SECOND, -(2**33)) - _TWO_DAYS_S
    end = last_ns // _SECOND + _TWO_DAYS_S
    found = []
    before = _offset(info, _moment(here))
    while here < end:
        later = min(here + _WEEK_S, end)
        after = _offset(info, _moment(later))
        if after != before:
            low, high = here, later
            while high - low > 1:
                middle = (low + high) // 2
                if _offset(info, _moment(middle)) == before:
                    low = middle
                else:
                    high = middle
            found.append((high, before, after))
        here, before = later, after
    return found


def _moment(second: int) -> datetime:
    return datetime.fromtimestamp(second, UTC)


def _offset(info: ZoneInfo, moment: datetime) -> int:
    offset = moment.astimezone(info).utcoffset()
    return 0 if offset is None else round(offset.total_seconds())


def to_utc(local: NDArray[np.int64], zone: str, summer: NDArray[np.int8] | None = None) -> Utc:
    """UTC of wall-clock times in the order in which they were written.

    Parameters
    ----------
    local
        Wall-clock ns, int64, shape (n,), oldest rows first.
    zone
        IANA name or fixed offset.
    summer
        1 where a row is told to be in summer time (or in the first pass of an hour that comes twice), 0 where in
        standard time, -1 where nothing tells; shape (n,).

    Notes
    -----
    A repeated hour is settled by the step back in the file (first pass before it, second after it), else by a neighbour
    outside the hour that follows on without a hole; where neither tells, the rows are marked ``unsettled``.
    """
    count = len(local)
    none = np.zeros(count, bool)
    fixed = fixed_offset_s(zone)
    if fixed is not None or not count:
        return Utc(local - np.int64((fixed or 0) * _SECOND), none, none.copy(), 0)
    changes = transitions(zone, int(local.min()), int(local.max()))
    info = ZoneInfo(zone)
    base = _offset(info, _moment(int(local.min()) // _SECOND - _TWO_DAYS_S))
    if not changes:
        return Utc(local - np.int64(base * _SECOND) if base else local, none, none, 0)
    offset = np.full(count, base, np.int64)
    skipped, unsettled = none, none.copy()
    repeated, skip_ns = 0, 0
    again = _all_repeated(local, changes)
    for moment, before, after in changes:
        # the wall clock jumps from moment+before to moment+after
        old, new = (moment + before) * _SECOND, (moment + after) * _SECOND
        if new > old:
            offset[local >= new] = after
            gap = (local >= old) & (local < new)
            skipped |= gap
            if not skip_ns and gap.any():
                skip_ns = new - old
            offset[gap] = before
        else:
            offset[local >= old] = after
            inside = (local >= new) & (local < old)
            if inside.any():
                second, open_rows = _passes(local, inside, again, old - new)
                if summer is not None:
                    told = inside & (summer >= 0)
                    second, open_rows = np.where(told, summer == 0, second), open_rows & ~told
                offset[inside & second] = after
                offset[inside & ~second] = before
                unsettled |= open_rows
                repeated += int(inside.sum() - open_rows.sum())
    return Utc(local - offset * _SECOND, skipped, unsettled, repeated, skip_ns)


def _all_repeated(local: NDArray[np.int64], changes: list[tuple[int, int, int]]) -> NDArray[np.bool_]:
    """Which rows lie in any of the hours that come twice."""
    again = np.zeros(len(local), bool)
    for moment, before, after in changes:
        if after < before:
            again |= (local >= (moment + after) * _SECOND) & (local < (moment + before) * _SECOND)
    return again


def _passes(
    local: NDArray[np.int64], inside: NDArray[np.bool_], again: NDArray[np.bool_], length: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which rows of a repeated hour belong to the second pass, and which can't be told."""
    second = np.zeros(len(local), bool)
    unsettled = np.zeros(len(local), bool)
    where = np.flatnonzero(inside)
    breaks = np.flatnonzero(np.diff(where) > 1)
    for run in np.split(where, breaks + 1):
        steps = np.diff(local[run])
        back = np.flatnonzero(steps < 0)
        if len(back):
            # the deepest step back parts the passes; smaller ones are rows out of order
            cut = int(back[np.argmin(steps[back])]) + 1
            second[run[cut:]] = True
            continue
        if len(run) == _TWO and steps[0] == 0 and _steps_by(local, again, length):
            second[run[1]] = True  # one row an hour, and twice the row of the hour that comes twice
            continue
        first_row, last_row = int(run[0]), int(run[-1])
        gap_before = int(local[first_row] - local[first_row - 1]) if first_row > 0 else None
        gap_after = int(local[last_row + 1] - local[last_row]) if last_row + 1 < len(local) else None
        usual = _usual_gap(local, length)
        close_before = gap_before is not None and 0 <= gap_before <= usual
        close_after = gap_after is not None and 0 <= gap_after <= usual
        if close_before and not close_after:
            continue
        if close_after and not close_before:
            second[run] = True
            continue
        unsettled[run] = True
    return second, unsettled


def _steps_by(local: NDArray[np.int64], again: NDArray[np.bool_], length: int) -> bool:
    """Whether a log has one row each ``length`` and no two with equal stamps but in the hours that come twice."""
    steps = np.diff(local)
    others = steps[steps != 0]
    twice = again[1:][steps == 0]
    if not len(others) or not twice.all():
        return False
    exact, whole = (others == length).mean(), (others % length == 0).mean()  # rows may be missing in between
    return bool(exact >= _MOSTLY and whole >= _REGULAR)


def _usual_gap(local: NDArray[np.int64], length: int) -> int:
    steps = np.diff(local)
    steps = steps[steps > 0]
    if not len(steps):
        return 0
    usual = min(int(np.median(steps) * 3), length // 2)
    # a log of changes has no rhythm that a hole could break
    return usual if (steps <= usual).mean() >= _MOSTLY and len(steps) > _FEW else 0


def zone_letters(zone: str) -> dict[str, int]:
    """Letters that a zone's clock uses for its offsets (``CST``, ``CDT``), with seconds from UTC."""
    out: dict[str, int] = {}
    if fixed_offset_s(zone) is not None:
        return out
    info = ZoneInfo(zone)
    for year in range(2000, 2038):
        for month in (1, 4, 7, 10):
            here = datetime(year, month, 1, tzinfo=UTC).astimezone(info)
            name, offset = here.tzname(), here.utcoffset()
            if name and name.isalpha() and offset is not None:
                out[name.upper()] = round(offset.total_seconds())
    if "CET" in out:
        out["MEZ"], out["MESZ"] = out["CET"], out.get("CEST", 7200)
    return out
