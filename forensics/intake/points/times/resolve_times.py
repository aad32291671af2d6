"""From wall-clock times to UTC for a whole export: what is decided, what is asked, which rows are duplicates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.errors import Problem
from forensics.intake.points.times.doubtful_rows import DoubtfulRows
from forensics.intake.points.times.duplicates import set_duplicates_aside
from forensics.intake.points.times.resolved import ResolvedTimes
from forensics.intake.points.times.row_answers import DROPPED, RowsTold, answer_rows, contradicts, summer_told
from forensics.intake.points.times.seams import look_at_seams, ranges_of
from forensics.intake.result import Detection
from forensics.intake.table.raw_table import RawTable
from forensics.intake.timestamps.fields import NO_OFFSET
from forensics.intake.timestamps.monotonicity import (
    direction,
    does_rise,
    no_clear_way,
    twelve_hours,
)
from forensics.intake.timestamps.wording import clock_of, date_of, in_units, standard_offset
from forensics.intake.timestamps.zones import to_utc
from forensics.model.points import NS
from forensics.model.row_numbers import FILE_ROWS, said_row

_DAY_NS = 86_400 * NS


@dataclass(slots=True)
class TimeResolver(DoubtfulRows):
    """Settles the times of one export; questions go to ``problems``, findings to ``detections`` and ``notes``."""

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
        self.say_times(gathered)
        times = self.wall_clock(gathered, rows)
        if times is None:
            return None
        local, offset, good = times
        if gathered.unknown_zones:
            letters = ", ".join(f"'{name}' ({n} stamps)" for name, n in gathered.unknown_zones.items())
            self.ask(
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
                self.ask(
                    f"'{unknown}' in '{name}' says neither summer nor standard time.", "Correct summer_time_column."
                )
                return None
            if wrong is not None and self.source.summer_time_column:
                self.ask(
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
        return told if answer_rows(self.source.row, gathered, rows, local, told, self.ask) else None

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
        rises = does_rise(local if in_order else local[position])
        self._say_direction(seen, way, rises=rises)
        asked = not rises and bare and not gathered.numeric
        if asked and self._half_day(local[position], rows[position], keys, position):
            return None
        if carried is not None and not gathered.numeric and self._mixed(carried, rows):
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
        self.drop_unsettled(settled, unsettled, rows)
        self.drop_unset(settled, rows)
        self._range(settled, gathered, rows)
        # a log whose every stamp is later than the one before has neither duplicates nor steps back
        steady = keys is None and bool((settled.t[1:] > settled.t[:-1]).all())
        if not steady:
            set_duplicates_aside(settled, rows, keys, texts)
        if gathered.files:
            self.notes.extend(look_at_seams(settled, gathered.files, rows, keys))
        if not steady and not self.set_back(settled, gathered, rows, keys):
            return None
        self._sort(settled)
        self._window(settled)
        return settled

    def _mixed(self, carried: NDArray[np.bool_], rows: NDArray[np.int64]) -> bool:
        """Ask where some stamps carry an offset, others none, and nothing says which zone those without keep."""
        if carried.all() or not carried.any() or self.source.time_zone:
            return False
        bare = int((~carried).sum())
        first = int(rows[np.flatnonzero(~carried)[0]])
        written = int(rows[np.flatnonzero(carried)[0]])
        self.ask(
            f"{bare} of {len(carried)} stamps carry no offset (the first on line {said_row(first)}), the others do "
            f"(the first on line {said_row(written)}): which zone do those without keep?",
            "Give time_zone in its [[source]]: the zone of the stamps without an offset.",
            first,
        )
        return True

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
        self.ask(
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
        how = "time_zone of the source" if self.source.time_zone else self.zone_evidence or "time_zone of the case"
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

    @staticmethod
    def _sort(settled: ResolvedTimes) -> None:
        if does_rise(settled.t):
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
