"""Rows whose time can't be right, or is one of two: told, and set aside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.errors import Problem, Severity
from forensics.intake.points.times.out_of_order import (
    LATE_NS,
    OUT_OF_ORDER,
    lone_strays,
    series_of,
    set_back_into_the_past,
)
from forensics.intake.points.times.resolved import ResolvedTimes
from forensics.intake.points.times.wall_clock import WallClock
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.row_filter import REPEATED
from forensics.intake.timestamps.monotonicity import (
    said_steps,
    set_backs,
)
from forensics.intake.timestamps.wording import date_of, standard_offset
from forensics.intake.unset_clocks import NOT_SET, clock_not_set
from forensics.model.row_numbers import FILE_ROWS, said_row
from forensics.model.vocabulary import Quality

REPEATED_HOUR = "repeated hour: pass not known"


@dataclass(slots=True)
class DoubtfulRows(WallClock):
    """Sets rows aside whose time can't be known, and says so; marks those that a clock set back leaves in doubt."""

    def drop_unsettled(self, settled: ResolvedTimes, unsettled: NDArray[np.bool_], rows: NDArray[np.int64]) -> None:
        """Set rows of a repeated hour aside where nothing tells their pass."""
        if not unsettled.any():
            return
        which = settled.position[unsettled]
        settled.aside.extend((int(i), REPEATED_HOUR) for i in which)
        settled.doubts = [(int(t), int(i)) for t, i in zip(settled.t[unsettled], which, strict=True)]
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

    def drop_unset(self, settled: ResolvedTimes, rows: NDArray[np.int64]) -> None:
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

    def set_back(
        self, settled: ResolvedTimes, gathered: RawTable, rows: NDArray[np.int64], keys: NDArray[np.int32] | None
    ) -> bool:
        """Look at steps back: mark rows in doubt, set single strays aside; False where the order must be asked for."""
        own = None if keys is None else keys[settled.position]
        late_ns = 0 if keys is None else LATE_NS
        strays = [series[lone_strays(settled.t[series], late_ns=late_ns)] for series in series_of(settled.t, own)]
        self._set_strays_aside(settled, np.sort(np.concatenate([np.zeros(0, np.int64), *strays])), rows)
        seams = None
        if gathered.files:
            seams = np.flatnonzero(np.diff(rows[settled.position] // FILE_ROWS)) + 1
        found, suspect = set_backs(settled.t, None if keys is None else keys[settled.position], seams)
        headers = [row.row for row in gathered.aside if row.reason == REPEATED]
        if not gathered.files and self._ask_parts(settled, rows, keys, headers):
            return False
        settled.flags[suspect] |= np.uint16(Quality.CLOCK_SUSPECT)
        self.notes.extend(said_steps(found, rows[settled.position]))
        return True

    def _ask_parts(
        self,
        settled: ResolvedTimes,
        rows: NDArray[np.int64],
        keys: NDArray[np.int32] | None,
        headers: Sequence[int],
    ) -> bool:
        """Ask where many rows follow a step back and lie before all above it, in the log or in that of one point."""
        for series in series_of(settled.t, None if keys is None else keys[settled.position]):
            steps, _ = set_backs(settled.t[series])
            place = rows[settled.position[series]]
            question = set_back_into_the_past(steps, place, headers)
            if question is not None:
                self.ask(*question)
                return True
            if keys is not None:
                self.notes.extend(said_steps([step for step in steps if not step.overlap], place))
        return False

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
                remedy="Where the date is known give [[source.row]] with line and date, else drop = true; supply "
                "many rows of a clock that stood wrong as a source with a clock of its own.",
                severity=Severity.POINT,
            )
        )
        settled.aside.extend((int(place), OUT_OF_ORDER) for place in settled.position[strays])
        keep = np.ones(len(settled.t), bool)
        keep[strays] = False
        settled.keep_only(keep)
