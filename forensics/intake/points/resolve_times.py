"""From wall-clock times to UTC for a whole export: what is decided, what is asked, which rows are duplicates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Source
from forensics.errors import Problem, Problems, Severity
from forensics.intake.points.date_order_questions import contradiction, undecided, year_first_or_last
from forensics.intake.points.duplicates import set_duplicates_aside
from forensics.intake.points.out_of_order import OUT_OF_ORDER, lone_strays, set_back_into_the_past
from forensics.intake.points.resolved import ResolvedTimes
from forensics.intake.points.row_answers import DROPPED, RowsTold, answer_rows, contradicts, summer_told
from forensics.intake.points.seams import look_at_seams, ranges_of
from forensics.intake.result import Detection
from forensics.intake.table.raw_table import RawTable, times_of
from forensics.intake.table.row_filter import REPEATED
from forensics.intake.timestamps.date_order import local_ns
from forensics.intake.timestamps.fields import EPOCH, NO_OFFSET
from forensics.intake.timestamps.monotonicity import (
    direction,
    no_clear_way,
    said_steps,
    set_backs,
    twelve_hours,
)
from forensics.intake.timestamps.numeric import TimeNumbers
from forensics.intake.timestamps.wording import clock_of, date_of, in_units, standard_offset
from forensics.intake.timestamps.years import put_years
from forensics.intake.timestamps.zones import to_utc
from forensics.intake.unset_clocks import NOT_SET, clock_not_set
from forensics.model.points import NS, Span
from forensics.model.row_numbers import FILE_ROWS, said_row
from forensics.model.vocabulary import Quality

_DAY_NS = 86_400 * NS
_ORDER_NAMES = {"DMY": "day/month/year", "MDY": "month/day/year", "YMD": "year-month-day"}

REPEATED_HOUR = "repeated hour: pass not known"


@dataclass(slots=True)
class TimeResolver:
    """Settles the times of one export; questions go to ``problems``, findings to ``detections`` and ``notes``."""

    path: str
    source: Source
    zone: str
    time_name: str
    keep: Span | None
    failure_ns: int | None
    problems: Problems
    summer_column: tuple[int, str] | None = None
    detections: list[Detection] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def _ask(self, what: str, remedy: str, row: int | None = None) -> None:
        self.problems.add(Problem(what, file=self.path, row=row, column=self.time_name, remedy=remedy))

    def settle(
        self,
        gathered: RawTable,
        keys: NDArray[np.int32] | None,
        texts: Callable[[list[int]], dict[int, str]],
    ) -> ResolvedTimes | None:
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
        told = self._told(gathered, rows, local)
        if told is None:
            return None
        return self._order(gathered, rows, local, offset, keys, texts=texts, told=told)

    def _told(self, gathered: RawTable, rows: NDArray[np.int64], local: NDArray[np.int64]) -> RowsTold | None:
        """What a column of summer time and the answers of the case file tell of rows; None where that asks."""
        told = RowsTold()
        if self.summer_column is not None:
            column, name = self.summer_column
            summer, unknown = summer_told(gathered, column)
            wrong = None if unknown else contradicts(summer, local, self.zone)
            if unknown and self.source.summer_time_column:
                self._ask(
                    f"'{unknown}' in '{name}' says neither summer nor standard time.", "Correct summer_time_column."
                )
                return None
            if wrong is not None and self.source.summer_time_column:
                self._ask(
                    f"'{name}' does not tell the summer time of {self.zone}.",
                    "Correct time_zone, or leave summer_time_column out.",
                    int(rows[wrong]),
                )
                return None
            if not unknown and wrong is None:
                told.summer = summer
                how = (
                    "given in the case file" if self.source.summer_time_column else "named so, and agrees with the zone"
                )
                self.detections.append(Detection("summer time", f"column {name}", how))
        return told if answer_rows(self.source.row, gathered, rows, local, told, self._ask) else None

    # what the stamps say

    def _say_times(self, gathered: RawTable) -> None:
        shapes = ", ".join(f"'{shape}'" for shape in gathered.shapes[:3])
        if shapes:
            self.detections.append(Detection("stamps", shapes, f"column {self.time_name}"))
        if gathered.month_names:
            self.detections.append(Detection("month names", ", ".join(sorted(gathered.month_names)), "as written"))

    def _wall_clock(
        self, gathered: RawTable, rows: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int32] | None, NDArray[np.bool_]] | None:
        order = self._date_order(gathered)
        if order is None:
            return None
        if not self._years(gathered, order):
            return None
        numbers = TimeNumbers(self.source.time_number or "", self.failure_ns, self._ask, self.detections, self.notes)
        if gathered.numeric:
            numbers.dated = _dated(gathered, order)
        local, offset = [], []
        start = 0
        for piece in gathered.pieces:
            times = piece.times
            if times.fields is not None:
                fields = times.fields
                if not numbers.put_times(fields, rows[start : start + len(fields)]):
                    return None
                times = times_of(fields, order or "DMY")
                if times.local is None:
                    _, good = local_ns(fields, order or "DMY")
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

    def _years(self, gathered: RawTable, order: str) -> bool:
        """Put the years that stamps lack; False where the case must tell the first one."""
        parts = [piece.times.fields for piece in gathered.pieces if piece.times.fields is not None]
        if not any(fields.yearless for fields in parts):
            return True
        if self.source.year is None:
            near = "" if self.failure_ns is None else f"; the failure is in {date_of(self.failure_ns):%Y}"
            self._ask(
                f"the stamps carry no year (such as '{gathered.first_stamp}'){near}.",
                "Give year in its [[source]]: that of the first row, such as year = 2031.",
                int(gathered.pieces[0].row[0]),
            )
            return False
        put_years(parts, order, self.source.year)
        told = "given in the case file for the first row; it goes up where December becomes January"
        self.detections.append(Detection("year", str(self.source.year), told))
        return True

    def _date_order(self, gathered: RawTable) -> str | None:
        """The order of day and month for the whole column; empty where no stamp needs one, None where it is asked."""
        found = gathered.orders
        told = self.source.date_order or ""
        if not found.total:
            return told
        if not told and found.year_first == found.total and (found.dashed or found.counts_up_last):
            self._ask(*year_first_or_last(gathered))
            return None
        if found.day_first and found.month_first and told != "YMD":
            self._ask(*contradiction(gathered))
            return None
        if told:
            against = found.month_first if told == "DMY" else found.day_first
            if against is not None and told in ("DMY", "MDY"):
                other = "MDY" if told == "DMY" else "DMY"
                self._ask(
                    f"'{against.text}' does not fit date_order = \"{told}\".",
                    f'Give date_order = "{other}", or supply the parts as two sources.',
                    against.row,
                )
                return None
            self.detections.append(Detection("date order", _ORDER_NAMES[told], "given in the case file"))
            return told
        settled = found.day_first or found.month_first
        if settled is None and found.same == found.total:
            self.detections.append(
                Detection("date order", "not needed", "day and month are the same number in every stamp")
            )
            return "DMY"
        if settled is None:
            self._ask(*undecided(gathered))
            return None
        order = "DMY" if found.day_first else "MDY"
        self.detections.append(
            Detection(
                "date order",
                _ORDER_NAMES[order],
                f"decided by line {said_row(settled.row)} ({settled.text.split()[0] if settled.text else ''}); "
                f"{found.both} of {found.total} stamps fit both orders",
            )
        )
        return order

    # order, zone, duplicates, window

    def _order(
        self,
        gathered: RawTable,
        rows: NDArray[np.int64],
        local: NDArray[np.int64],
        offset: NDArray[np.int32] | None,
        keys: NDArray[np.int32] | None,
        texts: Callable[[list[int]], dict[int, str]],
        told: RowsTold,
    ) -> ResolvedTimes | None:
        carried = None if offset is None else offset != NO_OFFSET
        bare = offset is None or not bool(carried.all() if carried is not None else False)
        seen = local
        if offset is not None and carried is not None:
            seen = np.where(carried, local - offset.astype(np.int64) * NS, local)
        way = direction(seen)
        if gathered.rising + gathered.falling and gathered.outside:
            way = -1 if gathered.falling > gathered.rising else 1
        position = np.arange(len(local), dtype=np.int64)
        if way < 0:
            position = position[::-1]
        if len(told.drop):
            position = position[~np.isin(position, told.drop)]
        in_order = way >= 0 and not len(told.drop)
        rises = bool((np.diff(local if in_order else local[position]) >= 0).all())
        self._say_direction(seen, way, rises=rises)
        asked = not rises and bare and not gathered.numeric
        if asked and self._half_day(local[position], rows[position], keys, position):
            return None
        if carried is not None and not bare:
            self.detections.append(Detection("zone", "offsets in the stamps", "every stamp carries its own"))
            t = (local - offset.astype(np.int64) * NS)[position] if offset is not None else local
            unsettled = np.zeros(len(t), bool)
        else:
            utc = self._to_utc(local, offset, carried, rows, position, told)
            if utc is None:
                return None
            t, unsettled = utc
        settled = ResolvedTimes(position, t, np.zeros(len(t), np.uint16), direction=way or 1)
        settled.aside.extend((int(place), DROPPED) for place in told.drop)
        settled.resolution_s = max(gathered.resolution_ns, 1) / NS if gathered.resolution_ns else 1.0
        self._drop_unsettled(settled, unsettled, rows)
        self._drop_unset(settled, rows)
        self._range(settled, gathered, rows)
        # a log whose every stamp is later than the one before has neither duplicates nor steps back
        steady = keys is None and bool((np.diff(settled.t) > 0).all())
        if not steady:
            set_duplicates_aside(settled, rows, keys, texts)
        if gathered.files:
            self.notes.extend(look_at_seams(settled, gathered.files, rows, keys))
        if not steady and not self._set_back(settled, gathered, rows, keys):
            return None
        self._sort(settled)
        self._window(settled)
        return settled

    def _say_direction(self, seen: NDArray[np.int64], way: int, *, rises: bool) -> None:
        if way < 0:
            self.notes.append("the log is written newest first: its rows are reversed, not sorted")
            self.detections.append(Detection("order of rows", "newest first", "more stamps fall than rise"))
        elif not rises and no_clear_way(seen):
            self.notes.append(
                "the stamps rise about as often as they fall: the order of rows within one stamp is not known"
            )
        elif way == 0 and len(seen) > 1:
            self.notes.append("all stamps are equal: the order of the rows inside that time is not known")

    def _half_day(
        self,
        ordered: NDArray[np.int64],
        rows: NDArray[np.int64],
        keys: NDArray[np.int32] | None,
        position: NDArray[np.int64],
    ) -> bool:
        """Ask where the stamps come from a clock of twelve hours that does not say which half of the day it is."""
        place = twelve_hours(ordered, None if keys is None else keys[position])
        if place is None:
            return False
        row = int(rows[place])
        self._ask(
            f"the stamps look like a clock of twelve hours without AM and PM: no hour is 0 or above 12, and line "
            f"{said_row(row)} steps back to {clock_of(int(ordered[place]))} on the same date.",
            "Export again with a clock of 24 hours or with AM and PM; where the clock was set back instead, supply the "
            "lines before and from there on as two sources.",
            row,
        )
        return True

    def _to_utc(
        self,
        local: NDArray[np.int64],
        offset: NDArray[np.int32] | None,
        carried: NDArray[np.bool_] | None,
        rows: NDArray[np.int64],
        position: NDArray[np.int64],
        told: RowsTold,
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]] | None:
        whole = len(position) == len(local) and bool((position[:1] == 0).all())
        ordered = local if whole else local[position]
        has = None if carried is None else carried[position]
        summer = None if told.summer is None else told.summer[position]
        if has is None:
            result = to_utc(ordered, self.zone, summer)
        else:
            result = to_utc(ordered[~has], self.zone, None if summer is None else summer[~has])
        bare_rows = rows[position] if has is None else rows[position][~has]
        how = "time_zone of the source" if self.source.time_zone else "time_zone of the case"
        self.detections.append(Detection("zone", self.zone, how))
        if result.skipped.any():
            self._skipped(ordered if has is None else ordered[~has], result.skipped, bare_rows, result.skip_ns)
            return None
        if result.repeated:
            self.notes.append(
                f"{result.repeated} rows lie in a repeated hour of {self.zone}; which pass each belongs to follows "
                "from the order of the rows"
            )
        if has is None or offset is None:
            return result.t, result.unsettled
        t = ordered - offset[position].astype(np.int64) * NS
        t[~has] = result.t
        unsettled = np.zeros(len(t), bool)
        unsettled[~has] = result.unsettled
        return t, unsettled

    def _skipped(
        self, local: NDArray[np.int64], skipped: NDArray[np.bool_], rows: NDArray[np.int64], skip_ns: int
    ) -> None:
        which = np.flatnonzero(skipped)
        day = local[which] // _DAY_NS
        one = which[day == day[0]]
        low, high = int(local[one].min()), int(local[one].max())
        first, last_row = said_row(int(rows[one].min())), said_row(int(rows[one].max()))
        lines = f"lines {first}-{last_row}" if len(one) > 1 else f"line {first}"
        standard = standard_offset(self.zone, low)
        times = f"{clock_of(low)} to {clock_of(high)}" if high > low else clock_of(low)
        size = "one hour" if skip_ns == 3600 * NS else in_units(skip_ns / NS)
        self.problems.add(
            Problem(
                f"{lines}: {times} on {date_of(low):%Y-%m-%d} {'do' if high > low else 'does'} not exist in "
                f"{self.zone}. "
                f"Does this logger keep standard time all year (UTC{standard})? If yes every stamp of this file in "
                f"summer moves by {size} against the site clock.",
                file=self.path,
                row=int(rows[one].min()),
                column=self.time_name,
                remedy=f'If so give the source time_zone = "{standard}"; else say which zone it keeps.',
            )
        )

    def _drop_unsettled(self, settled: ResolvedTimes, unsettled: NDArray[np.bool_], rows: NDArray[np.int64]) -> None:
        if not unsettled.any():
            return
        which = settled.position[unsettled]
        settled.aside.extend((int(i), REPEATED_HOUR) for i in which)
        self.problems.add(
            Problem(
                f"{len(which)} rows lie in a repeated hour of {self.zone} and nothing tells which pass; "
                "they are set aside.",
                file=self.path,
                row=int(rows[which].min()),
                column=self.time_name,
                remedy=f'Give the source a fixed time_zone such as "{standard_offset(self.zone, int(settled.t[0]))}" '
                'if its clock keeps one, or [[source.row]] with line and pass = "first" or "second" for each of them.',
                severity=Severity.POINT,
            )
        )
        settled.keep_only(~unsettled)

    def _drop_unset(self, settled: ResolvedTimes, rows: NDArray[np.int64]) -> None:
        """Set rows of a clock that was not set aside, before they can stretch the record by decades."""
        wrong = clock_not_set(settled.t, self.failure_ns)
        if not wrong.any():
            return
        which = settled.position[wrong]
        settled.aside.extend((int(i), NOT_SET) for i in which)
        example = date_of(int(settled.t[np.flatnonzero(wrong)[0]]))
        what = f"{len(which)} rows bear dates such as {example:%Y-%m-%d}, years away from the others or from any log"
        self.problems.add(
            Problem(
                f"{what}: the clock was not set; they are set aside.",
                file=self.path,
                row=int(rows[which].min()),
                column=self.time_name,
                remedy="Where the dates are right, supply these rows as a source of their own.",
                severity=Severity.NOTE if not wrong.all() else Severity.POINT,
            )
        )
        settled.keep_only(~wrong)

    def _range(self, settled: ResolvedTimes, gathered: RawTable, rows: NDArray[np.int64]) -> None:
        if len(settled.t):
            settled.first_ns, settled.last_ns = int(settled.t.min()), int(settled.t.max())
        dropped = self._utc_range(gathered.first_local, gathered.last_local)
        if dropped[0] is not None and dropped[1] is not None:
            settled.first_ns = dropped[0] if settled.first_ns is None else min(dropped[0], settled.first_ns)
            settled.last_ns = dropped[1] if settled.last_ns is None else max(dropped[1], settled.last_ns)
        settled.ranges = [(settled.first_ns, settled.last_ns)]
        if gathered.files:
            outside = [self._utc_range(file.first_local, file.last_local) for file in gathered.files]
            settled.ranges = ranges_of(settled.t, rows[settled.position] // FILE_ROWS, outside)

    def _utc_range(self, first: int | None, last: int | None) -> tuple[int | None, int | None]:
        if first is None or last is None:
            return None, None
        low, high = (int(x) for x in to_utc(np.array([first, last]), self.zone).t)
        return low, high

    def _set_back(
        self, settled: ResolvedTimes, gathered: RawTable, rows: NDArray[np.int64], keys: NDArray[np.int32] | None
    ) -> bool:
        """Look at steps back: mark rows in doubt, set single strays aside; False where the order must be asked for."""
        if keys is None:
            self._set_strays_aside(settled, lone_strays(settled.t), rows)
        seams = None
        if gathered.files:
            seams = np.flatnonzero(np.diff(rows[settled.position] // FILE_ROWS)) + 1
        found, suspect = set_backs(settled.t, None if keys is None else keys[settled.position], seams)
        headers = [row.row for row in gathered.aside if row.reason == REPEATED]
        question = None if gathered.files else set_back_into_the_past(found, rows[settled.position], headers)
        if question is not None:
            self._ask(*question)
            return False
        settled.flags[suspect] |= np.uint16(Quality.CLOCK_SUSPECT)
        self.notes.extend(said_steps(found, rows[settled.position]))
        return True

    def _set_strays_aside(self, settled: ResolvedTimes, strays: NDArray[np.int64], rows: NDArray[np.int64]) -> None:
        if not len(strays):
            return
        lines = [int(row) for row in rows[settled.position[strays]]]
        self.problems.add(
            Problem(
                f"{len(lines)} rows step far off in a log that goes on after them (first on line "
                f"{said_row(lines[0])}): their stamps can't be right, they are set aside.",
                file=self.path,
                row=lines[0],
                column=self.time_name,
                remedy="Where the date is known give [[source.row]] with line and date, else drop = true.",
                severity=Severity.POINT,
            )
        )
        settled.aside.extend((int(place), OUT_OF_ORDER) for place in settled.position[strays])
        keep = np.ones(len(settled.t), bool)
        keep[strays] = False
        settled.keep_only(keep)

    @staticmethod
    def _sort(settled: ResolvedTimes) -> None:
        if bool((np.diff(settled.t) >= 0).all()):
            return
        order = np.argsort(settled.t, kind="stable")
        settled.t, settled.position = settled.t[order], settled.position[order]
        settled.flags = settled.flags[order]

    def _window(self, settled: ResolvedTimes) -> None:
        if self.keep is None:
            return
        inside = (settled.t >= self.keep.start_ns) & (settled.t < self.keep.end_ns)
        settled.outside = settled.position[~inside]
        settled.keep_only(inside)


def _dated(gathered: RawTable, order: str) -> tuple[int, int] | None:
    """First and last wall-clock time of the stamps that are no numbers; None where there are none."""
    ends: list[int] = []
    for piece in gathered.pieces:
        local = piece.times.local
        if piece.times.fields is not None:
            fields = piece.times.fields
            local, good = local_ns(fields, order or "DMY")
            local = local[good & (fields.form != EPOCH)]
        if local is not None and len(local):
            ends += [int(local.min()), int(local.max())]
    return (min(ends), max(ends)) if ends else None
