"""From wall-clock times to UTC for a whole export: what is decided, what is asked, which rows are duplicates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from forensics.casefile import Source
from forensics.errors import Problem, Problems
from forensics.intake.gathered import Gathered, times_of
from forensics.intake.reading import Detection
from forensics.intake.stamps import EPOCH, NO_OFFSET, Fields, local_ns
from forensics.intake.zones import direction, fixed_offset_s, set_backs, to_utc
from forensics.record import NS, Span
from forensics.vocabulary import Quality

_DAY_NS = 86_400 * NS
_ORDER_NAMES = {"DMY": "day/month/year", "MDY": "month/day/year", "YMD": "year-month-day"}
_EPOCH_UNITS = {"unix-s": 10**9, "unix-ms": 10**6, "unix-us": 10**3, "unix-ns": 1}
_EPOCH_DIGITS = {9: "unix-s", 10: "unix-s", 13: "unix-ms", 16: "unix-us", 19: "unix-ns"}
_EPOCH_NAMES = {
    "unix-s": "Unix seconds",
    "unix-ms": "Unix milliseconds",
    "unix-us": "Unix microseconds",
    "unix-ns": "Unix nanoseconds",
    "days-1900": "sheet day numbers, 1900 system",
    "days-1904": "sheet day numbers, 1904 system",
}
_DAYS_1900 = -25_569  # 1899-12-30 to 1970-01-01 (ECMA-376 part 1, 18.17.4.1)
_DAYS_1904 = -24_107  # 1904-01-01 to 1970-01-01 (same place)
_DAY_DIGITS = 5
_LIKELY = (978_307_200, 4_102_444_800)  # 2001 to 2100

DUPLICATE = "duplicate"
REPEATED_HOUR = "repeated hour: pass not known"


@dataclass(slots=True)
class Settled:
    """Times of an export on its own clock, in UTC.

    Attributes
    ----------
    position
        Rows (positions among the gathered ones) that are kept, in order of time.
    t, flags
        ns UTC and quality flags of the kept rows.
    aside
        Position and reason of rows that are set aside here; ``outside`` counts rows outside the window.
    first_ns, last_ns
        Range of all rows with a time.
    """

    position: NDArray[np.int64]
    t: NDArray[np.int64]
    flags: NDArray[np.uint16]
    aside: list[tuple[int, str]] = field(default_factory=list)
    outside: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    resolution_s: float = 1.0
    direction: int = 1


@dataclass(slots=True)
class Judge:
    """Settles the times of one export; questions go to ``problems``, findings to ``detections`` and ``notes``."""

    path: str
    source: Source
    zone: str
    time_name: str
    keep: Span | None
    failure_ns: int | None
    problems: Problems
    detections: list[Detection] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def _ask(self, what: str, remedy: str, row: int | None = None) -> None:
        self.problems.add(Problem(what, file=self.path, row=row, column=self.time_name, remedy=remedy))

    def settle(
        self,
        gathered: Gathered,
        keys: NDArray[np.int32] | None,
        texts: Callable[[list[int]], dict[int, str]],
    ) -> Settled | None:
        """Settle the times; None where a question about time stops the case.

        Parameters
        ----------
        keys
            For long layouts: number of the point of each row. Rows are duplicates only within a point.
        texts
            Gives the text of physical rows, to tell equal duplicates from different ones.
        """
        rows = gathered.row()
        self._say_times(gathered)
        times = self._wall_clock(gathered, rows)
        if times is None:
            return None
        local, offset, good = times
        if gathered.unknown_zones:
            letters = ", ".join(f"'{name}' ({n} stamps)" for name, n in gathered.unknown_zones.items())
            self._ask(
                f"the stamps carry {letters}, which {self.zone} does not use, so their offset is not known.",
                "Give the source's time_zone as the zone of these letters.",
            )
            return None
        if not good.all():
            raise AssertionError("rows without a time were to be set aside before")
        return self._order(gathered, rows, local, offset, keys, texts)

    # what the stamps say

    def _say_times(self, gathered: Gathered) -> None:
        shapes = ", ".join(f"'{shape}'" for shape in gathered.shapes[:3])
        if shapes:
            self.detections.append(Detection("stamps", shapes, f"column {self.time_name}"))
        if gathered.month_names:
            self.detections.append(Detection("month names", ", ".join(sorted(gathered.month_names)), "as written"))

    def _wall_clock(
        self, gathered: Gathered, rows: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int32] | None, NDArray[np.bool_]] | None:
        order = self._date_order(gathered)
        if order is None:
            return None
        local, offset = [], []
        start = 0
        for piece in gathered.pieces:
            times = piece.times
            if times.fields is not None:
                fields = times.fields
                if bool((fields.form == EPOCH).any()):
                    if not self._numbers(fields, rows[start : start + len(fields)]):
                        return None
                times = times_of(fields, order or "DMY")
                if times.local is None:
                    part, good = local_ns(fields, order or "DMY")
                    first = int(np.flatnonzero(~good)[0])
                    self._ask("a stamp does not fit the date order.", "Check date_order.", int(rows[start + first]))
                    return None
            local.append(times.local)
            offset.append(times.offset)
            start += len(piece.row)
        whole = np.concatenate([part for part in local if part is not None]) if local else np.zeros(0, np.int64)
        carried: NDArray[np.int32] | None = None
        if any(part is not None for part in offset):
            carried = np.concatenate(
                [
                    part if part is not None else np.full(len(piece.row), NO_OFFSET, np.int32)
                    for part, piece in zip(offset, gathered.pieces, strict=True)
                ]
            )
        return whole, carried, np.ones(len(whole), bool)

    def _date_order(self, gathered: Gathered) -> str | None:
        """The order of day and month for the whole column; empty where no stamp needs one, None where it is asked."""
        found = gathered.orders
        told = self.source.date_order or ""
        if not found.total:
            return told
        if not told and found.dashed and found.year_first == found.total:
            self._ask(
                f"all {found.total} stamps may have the year first or last: line {int(gathered.row()[0])} "
                f"'{gathered.first_stamp}'.",
                "Give date_order=YMD, DMY or MDY.",
            )
            return None
        if found.day_first and found.month_first and told != "YMD":
            self._contradiction(gathered)
            return None
        if told:
            against = found.month_first if told == "DMY" else found.day_first
            if against is not None and told in ("DMY", "MDY"):
                self._ask(
                    f"'{against.text}' does not fit date_order = \"{told}\".",
                    f"Give date_order={'MDY' if told == 'DMY' else 'DMY'}, or supply the parts as two sources.",
                    against.row,
                )
                return None
            self.detections.append(Detection("date order", _ORDER_NAMES[told], "given in the case file"))
            return told
        settled = found.day_first or found.month_first
        if settled is None:
            self._undecided(gathered)
            return None
        order = "DMY" if found.day_first else "MDY"
        self.detections.append(
            Detection(
                "date order",
                _ORDER_NAMES[order],
                f"decided by line {settled.row} ({settled.text.split()[0] if settled.text else ''}); "
                f"{found.both} of {found.total} stamps fit both orders",
            )
        )
        return order

    def _contradiction(self, gathered: Gathered) -> None:
        day, month = gathered.orders.day_first, gathered.orders.month_first
        if day is None or month is None:
            raise AssertionError("a contradiction needs both orders")
        first, second = sorted(((day, "day-first", "DMY"), (month, "month-first", "MDY")), key=lambda x: x[0].row)
        rows = gathered.row()
        start, end = int(rows.min()), int(rows.max())
        self._ask(
            f"no single date order fits. Line {first[0].row} '{first[0].text.split()[0]}' needs {first[1]}; "
            f"line {second[0].row} '{second[0].text.split()[0]}' needs {second[1]}.",
            f"Supply lines {start}-{second[0].row - 1} and lines {second[0].row}-{end} as two sources, "
            f"each with its own date_order ({first[2]}, {second[2]}).",
        )

    def _undecided(self, gathered: Gathered) -> None:
        fields = gathered.fields()
        rows = gathered.row()
        if fields is None:
            raise AssertionError("an order can't be open without its fields")
        spans, first = {}, {}
        for order in ("DMY", "MDY"):
            local, good = local_ns(fields, order)
            low, high = int(local[good].min()), int(local[good].max())
            spans[order] = (_date(low), _date(high), (high - low) / _DAY_NS)
            first[order] = _date(int(local[0]))
        text = self._first_text(gathered)
        day, month = spans["DMY"], spans["MDY"]
        self._ask(
            f"all {gathered.orders.total} stamps fit day/month/year and month/day/year. Line {int(rows[0])} '{text}' is "
            f"{_words(first['DMY'], year=False)} or {_words(first['MDY'], year=False)}. As day-first the file spans "
            f"{_length(day[2])} ({_between(day[0], day[1])}), as month-first {_length(month[2])} "
            f"({_between(month[0], month[1])}).",
            "Give date_order=DMY or MDY.",
        )

    def _first_text(self, gathered: Gathered) -> str:
        return gathered.first_stamp

    # numbers that stand for times

    def _numbers(self, fields: Fields, rows: NDArray[np.int64]) -> bool:
        """Put numeric stamps in place of fields: ns UTC for Unix times, wall-clock ns for sheet days."""
        numeric = fields.form == EPOCH
        told = self.source.time_number
        days = numeric & (fields.digits == _DAY_DIGITS)
        for digits in np.unique(fields.digits[numeric]):
            chosen = numeric & (fields.digits == digits)
            unit = told or _EPOCH_DIGITS.get(int(digits)) or self._day_system(fields.number[chosen])
            first, last = int(rows[chosen][0]), int(rows[chosen][-1])
            if unit is None:
                value = fields.number[chosen][0]
                both = " or ".join(f"{_date(_day_ns(value, base)):%Y-%m-%d}" for base in (_DAYS_1900, _DAYS_1904))
                self._ask(
                    f"'{value:.15g}' may be a sheet day number of the 1900 or of the 1904 system ({both}); "
                    "nothing in the case fixes the year.",
                    "Give time_number = \"days-1900\" or \"days-1904\".",
                    first,
                )
                return False
            if unit.startswith("days"):
                base = _DAYS_1900 if unit == "days-1900" else _DAYS_1904
                other = "days-1904" if unit == "days-1900" else "days-1900"
                wrong = _date(_day_ns(float(fields.number[chosen][0]), _DAYS_1904 if base == _DAYS_1900 else _DAYS_1900))
                self.notes.append(
                    f"the stamps are {_EPOCH_NAMES[unit]}; the {other.removeprefix('days-')} system would give "
                    f"{wrong:%Y-%m-%d}"
                )
                fields.tod_ns[chosen] = _day_ns_array(fields.number[chosen], base)
            elif not self._unix(fields, chosen, unit, first):
                return False
            where = f"line {first}" if first == last else f"lines {first}-{last}"
            how = "given in the case file" if told else f"{int(digits)} digits on {where}"
            self.detections.append(Detection("time number", _EPOCH_NAMES[unit], how))
        fields.form[numeric] = 0
        fields.year[numeric], fields.p[numeric], fields.q[numeric] = 1970, 1, 1
        if not (told or "").startswith("days"):
            unix = numeric & ~days if not told else numeric
            fields.offset_s[unix] = 0
        return True

    def _unix(self, fields: Fields, chosen: NDArray[np.bool_], unit: str, row: int) -> bool:
        scale = _EPOCH_UNITS[unit]
        whole = fields.tod_ns[chosen]
        fraction = np.round((fields.number[chosen] - np.floor(fields.number[chosen])) * scale).astype(np.int64)
        seconds = whole // (NS // scale)
        if ((seconds < _LIKELY[0]) | (seconds > _LIKELY[1])).any():
            self._ask(
                f"the number {int(whole[0])} read as {_EPOCH_NAMES[unit]} is not a time between 2001 and 2100.",
                "Give time_number (unix-s, unix-ms, unix-us, unix-ns, days-1900 or days-1904).",
                row,
            )
            return False
        fields.tod_ns[chosen] = whole * scale + (fraction if scale > 1 else 0)
        return True

    def _day_system(self, values: NDArray[np.float64]) -> str | None:
        if self.failure_ns is None:
            return None
        fits = []
        for name, base in (("days-1900", _DAYS_1900), ("days-1904", _DAYS_1904)):
            low, high = _day_ns(float(values.min()), base), _day_ns(float(values.max()), base)
            if low - 400 * _DAY_NS <= self.failure_ns <= high + 400 * _DAY_NS:
                fits.append(name)
        return fits[0] if len(fits) == 1 else None

    # order, zone, duplicates, window

    def _order(
        self,
        gathered: Gathered,
        rows: NDArray[np.int64],
        local: NDArray[np.int64],
        offset: NDArray[np.int32] | None,
        keys: NDArray[np.int32] | None,
        texts: Callable[[list[int]], dict[int, str]],
    ) -> Settled | None:
        carried = None if offset is None else offset != NO_OFFSET
        bare = offset is None or not bool(carried.all() if carried is not None else False)
        seen = local if offset is None else np.where(carried, local - offset.astype(np.int64) * NS, local)
        way = direction(seen)
        if gathered.rising + gathered.falling and gathered.outside:
            way = -1 if gathered.falling > gathered.rising else 1
        position = np.arange(len(local), dtype=np.int64)
        if way < 0:
            position = position[::-1]
            self.notes.append("the log is written newest first: its rows are reversed, not sorted")
            self.detections.append(Detection("order of rows", "newest first", "more stamps fall than rise"))
        elif way == 0 and len(local) > 1:
            self.notes.append("all stamps are equal: the order of the rows inside that time is not known")
        if carried is not None and not bare:
            self.detections.append(Detection("zone", "offsets in the stamps", "every stamp carries its own"))
            t = (local - offset.astype(np.int64) * NS)[position] if offset is not None else local
            unsettled = np.zeros(len(t), bool)
        else:
            utc = self._to_utc(local, offset, carried, rows, position)
            if utc is None:
                return None
            t, unsettled = utc
        settled = Settled(position, t, np.zeros(len(t), np.uint16), direction=way or 1)
        settled.resolution_s = max(gathered.resolution_ns, 1) / NS if gathered.resolution_ns else 1.0
        self._drop_unsettled(settled, unsettled, rows)
        self._range(settled, gathered)
        self._duplicates(settled, rows, keys, texts)
        self._set_back(settled, rows, keys)
        self._sort(settled)
        self._window(settled)
        return settled

    def _to_utc(
        self,
        local: NDArray[np.int64],
        offset: NDArray[np.int32] | None,
        carried: NDArray[np.bool_] | None,
        rows: NDArray[np.int64],
        position: NDArray[np.int64],
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]] | None:
        ordered = local[position]
        has = None if carried is None else carried[position]
        result = to_utc(ordered, self.zone) if has is None else to_utc(ordered[~has], self.zone)
        bare_rows = rows[position] if has is None else rows[position][~has]
        how = "time_zone of the source" if self.source.time_zone else "time_zone of the case"
        self.detections.append(Detection("zone", self.zone, how))
        if result.skipped.any():
            self._skipped(ordered if has is None else ordered[~has], result.skipped, bare_rows)
            return None
        if result.repeated:
            self.notes.append(
                f"{result.repeated} rows lie in a repeated hour of {self.zone}; which pass each belongs to follows from "
                "the order of the rows"
            )
        if has is None or offset is None:
            return result.t, result.unsettled
        t = ordered - offset[position].astype(np.int64) * NS
        t[~has] = result.t
        unsettled = np.zeros(len(t), bool)
        unsettled[~has] = result.unsettled
        return t, unsettled

    def _skipped(self, local: NDArray[np.int64], skipped: NDArray[np.bool_], rows: NDArray[np.int64]) -> None:
        which = np.flatnonzero(skipped)
        day = local[which] // _DAY_NS
        one = which[day == day[0]]
        low, high = int(local[one].min()), int(local[one].max())
        lines = f"lines {int(rows[one].min())}-{int(rows[one].max())}" if len(one) > 1 else f"line {int(rows[one[0]])}"
        standard = _standard_offset(self.zone, low)
        self.problems.add(
            Problem(
                f"{lines}: {_clock(low)} to {_clock(high)} on {_date(low):%Y-%m-%d} do not exist in {self.zone}. "
                f"Does this logger keep standard time all year (UTC{standard})? If yes every stamp of this file in "
                "summer moves by one hour against the site clock.",
                file=self.path,
                row=int(rows[one].min()),
                column=self.time_name,
                remedy=f"If so give the source time_zone = \"{standard}\"; else say which zone it keeps.",
            )
        )

    def _drop_unsettled(self, settled: Settled, unsettled: NDArray[np.bool_], rows: NDArray[np.int64]) -> None:
        if not unsettled.any():
            return
        from forensics.errors import Severity

        which = settled.position[unsettled]
        settled.aside.extend((int(i), REPEATED_HOUR) for i in which)
        self.problems.add(
            Problem(
                f"{len(which)} rows lie in a repeated hour of {self.zone} and nothing tells which pass; they are set aside.",
                file=self.path,
                row=int(rows[which].min()),
                column=self.time_name,
                remedy="Give the source a fixed time_zone such as \"-05:00\" if its clock keeps one.",
                severity=Severity.POINT,
            )
        )
        _keep_only(settled, ~unsettled)

    def _range(self, settled: Settled, gathered: Gathered) -> None:
        if len(settled.t):
            settled.first_ns, settled.last_ns = int(settled.t.min()), int(settled.t.max())
        if gathered.first_local is not None and gathered.last_local is not None:
            ends = np.array([gathered.first_local, gathered.last_local])
            low, high = (int(x) for x in to_utc(ends, self.zone).t)
            settled.first_ns = low if settled.first_ns is None else min(low, settled.first_ns)
            settled.last_ns = high if settled.last_ns is None else max(high, settled.last_ns)

    def _duplicates(
        self,
        settled: Settled,
        rows: NDArray[np.int64],
        keys: NDArray[np.int32] | None,
        texts: Callable[[list[int]], dict[int, str]],
    ) -> None:
        """Equal rows with equal stamps: the first is kept; rows that differ are kept and marked."""
        t, position = settled.t, settled.position
        if keys is None:
            order = np.arange(len(t)) if bool((np.diff(t) >= 0).all()) else np.argsort(t, kind="stable")
            same = np.diff(t[order]) == 0
        else:
            key = keys[position]
            if not len(key) or int(key.max()) < 2**15:
                key = key.astype(np.int16)
            order = np.argsort(key, kind="stable")
            if not bool((np.diff(t) >= 0).all()):
                order = np.lexsort((np.arange(len(t)), t, key))
            same = (np.diff(t[order]) == 0) & (np.diff(key[order]) == 0)
        if not same.any():
            return
        member = np.zeros(len(t), bool)
        member[:-1] |= same
        member[1:] |= same
        places = order[member]
        text = texts([int(row) for row in rows[position[places]]])
        drop = np.zeros(len(t), bool)
        differs = np.zeros(len(t), bool)
        starts = np.flatnonzero(np.concatenate(([True], ~same)))
        ends = np.concatenate((starts[1:], [len(t)]))
        for start, end in zip(starts[ends - starts > 1], ends[ends - starts > 1], strict=True):
            self._one_group(order[start:end], position, rows, text, drop, differs, in_time=keys is not None)
        settled.flags[differs] |= np.uint16(Quality.DUPLICATE_DIFFERS)
        if drop.any():
            settled.aside.extend((int(i), DUPLICATE) for i in position[drop])
            _keep_only(settled, ~drop)

    @staticmethod
    def _one_group(
        group: NDArray[np.int64],
        position: NDArray[np.int64],
        rows: NDArray[np.int64],
        text: dict[int, str],
        drop: NDArray[np.bool_],
        differs: NDArray[np.bool_],
        *,
        in_time: bool,
    ) -> None:
        """Mark one group of rows with equal stamps.

        In a change log a value that comes back within one stamp is a change, not a duplicate: only a row equal to the
        one before it is dropped there.
        """
        kept: list[int] = []
        seen: set[str] = set()
        last = ""
        for place in group:
            words = text[int(rows[position[place]])]
            if (in_time and kept and words == last) or (not in_time and words in seen):
                drop[place] = True
                continue
            seen.add(words)
            last = words
            kept.append(int(place))
        if len(kept) > 1:
            differs[kept] = True

    def _set_back(self, settled: Settled, rows: NDArray[np.int64], keys: NDArray[np.int32] | None) -> None:
        found, suspect = set_backs(settled.t, None if keys is None else keys[settled.position])
        settled.flags[suspect] |= np.uint16(Quality.CLOCK_SUSPECT)
        for step in found:
            line = int(rows[settled.position[step.position]])
            self.notes.append(
                f"line {line}: the clock was set back by {step.by_ns / NS / 60:.4g} min; {step.overlap} rows before it "
                "bear times that come again after it: both are kept, marked as in doubt"
            )

    @staticmethod
    def _sort(settled: Settled) -> None:
        if bool((np.diff(settled.t) >= 0).all()):
            return
        order = np.argsort(settled.t, kind="stable")
        settled.t, settled.position = settled.t[order], settled.position[order]
        settled.flags = settled.flags[order]

    def _window(self, settled: Settled) -> None:
        if self.keep is None:
            return
        inside = (settled.t >= self.keep.start_ns) & (settled.t < self.keep.end_ns)
        settled.outside = int((~inside).sum())
        _keep_only(settled, inside)


def _keep_only(settled: Settled, chosen: NDArray[np.bool_]) -> None:
    if chosen.all():
        return
    settled.t, settled.position = settled.t[chosen], settled.position[chosen]
    settled.flags = settled.flags[chosen]


def _date(local: int) -> datetime:
    return datetime.fromtimestamp(local // NS, UTC)


def _day_ns(value: float, base: int) -> int:
    return int(_day_ns_array(np.array([value]), base)[0])


def _day_ns_array(values: NDArray[np.float64], base: int) -> NDArray[np.int64]:
    """Wall-clock ns of sheet day numbers, rounded to the millisecond (a day number has no more)."""
    days = np.floor(values)
    milliseconds = np.round((values - days) * 86_400_000).astype(np.int64)
    out: NDArray[np.int64] = (days.astype(np.int64) + base) * _DAY_NS + milliseconds * 1_000_000
    return out


def _clock(local: int) -> str:
    return _date(local).strftime("%H:%M:%S").removesuffix(":00")


def _standard_offset(zone: str, local: int) -> str:
    """Offset of standard time, as ``-06:00``."""
    fixed = fixed_offset_s(zone)
    if fixed is not None:
        return zone
    info = ZoneInfo(zone)
    here = _date(local)
    offsets = []
    for days in (0, 91, 182, 273):
        offset = (here + timedelta(days=days)).astimezone(info).utcoffset()
        offsets.append(0 if offset is None else round(offset.total_seconds()))
    least = min(offsets)
    sign = "-" if least < 0 else "+"
    return f"{sign}{abs(least) // 3600:02d}:{abs(least) // 60 % 60:02d}"


_MONTHS = (
    "January February March April May June July August September October November December".split()
)


def _words(stamp: datetime, *, year: bool = True) -> str:
    text = f"{stamp.day} {_MONTHS[stamp.month - 1]}"
    return f"{text} {stamp.year}" if year else text


def _between(low: datetime, high: datetime) -> str:
    if (low.year, low.month) == (high.year, high.month):
        return f"{low.day} to {_words(high)}"
    if low.year == high.year:
        return f"{_words(low, year=False)} to {_words(high)}"
    return f"{_words(low)} to {_words(high)}"


def _length(days: float) -> str:
    if days == int(days):
        return f"{int(days)} days"
    return f"{days:.1f} days" if days > 2 else f"{days * 24:.1f} hours"  # noqa: PLR2004 - reads better
