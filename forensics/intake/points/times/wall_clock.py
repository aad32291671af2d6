"""From stamps to wall-clock times: the order of day and month, years that are not written, numbers that are times."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Source
from forensics.errors import Problem, Problems
from forensics.intake.points.times.date_order_questions import contradiction, undecided, year_first_or_last
from forensics.intake.result import Detection
from forensics.intake.table.raw_table import RawTable, times_of
from forensics.intake.timestamps.date_order import local_ns
from forensics.intake.timestamps.fields import EPOCH, NO_OFFSET
from forensics.intake.timestamps.numeric import TimeNumbers
from forensics.intake.timestamps.wording import date_of
from forensics.intake.timestamps.years import put_years
from forensics.model.points import NS, Span
from forensics.model.row_numbers import said_row

_DAY_NS = 86_400 * NS
_ORDER_NAMES = {"DMY": "day/month/year", "MDY": "month/day/year", "YMD": "year-month-day"}


@dataclass(slots=True)
class WallClock:
    """What the stamps of one export say on its own clock; questions go to ``problems``, findings to ``detections``."""

    path: str
    source: Source
    zone: str
    time_name: str
    keep: Span | None
    failure_ns: int | None
    problems: Problems
    summer_column: tuple[int, str] | None = None
    zone_evidence: str = ""
    detections: list[Detection] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def ask(self, what: str, remedy: str, row: int | None = None) -> None:
        """A question about time, which stops the case."""
        self.problems.add(Problem(what, file=self.path, row=row, column=self.time_name, remedy=remedy))

    def say_times(self, gathered: RawTable) -> None:
        """State the forms of the stamps and the names of months in them."""
        shapes = ", ".join(f"'{shape}'" for shape in gathered.shapes[:3])
        if shapes:
            self.detections.append(Detection("stamps", shapes, f"column {self.time_name}"))
        if gathered.month_names:
            self.detections.append(Detection("month names", ", ".join(sorted(gathered.month_names)), "as written"))

    def wall_clock(
        self, gathered: RawTable, rows: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int32] | None, NDArray[np.bool_]] | None:
        """Wall-clock ns, offsets and whether each row has a time; None where a question stands."""
        order = self._date_order(gathered)
        if order is None:
            return None
        if not self._years(gathered, order):
            return None
        numbers = TimeNumbers(self.source.time_number or "", self.failure_ns, self.ask, self.detections, self.notes)
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
                    self.ask("a stamp does not fit the date order.", "Check date_order.", int(rows[start + first]))
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
            self.ask(
                f"the stamps carry no year (such as '{gathered.first_stamp}'){near}.",
                "Give year in its [[source]]: that of the first row, such as year = 2031.",
                int(gathered.pieces[0].row[0]),
            )
            return False
        wrong = put_years(parts, order, self.source.year)
        if wrong is not None:
            row = np.concatenate([piece.row for piece in gathered.pieces if piece.times.fields is not None])[wrong]
            self.ask(
                f"line {said_row(int(row))} is of 29 February, which the year that follows from year = "
                f"{self.source.year} does not have.",
                "Correct year in its [[source]]: that of the first row.",
                int(row),
            )
            return False
        told = "given in the case file for the first row; it goes up where December becomes January"
        self.detections.append(Detection("year", str(self.source.year), told))
        return True

    def _date_order(self, gathered: RawTable) -> str | None:
        """The order of day and month for the whole column; empty where no stamp needs one, None where it is asked."""
        found = gathered.orders
        told = self.source.date_order or ""
        if not found.total:
            return told
        failed = None if self.failure_ns is None else date_of(self.failure_ns).year
        first = found.dashed or found.counts_up_last or found.year_may_stand_first(failed)
        if not told and found.year_first == found.total and first:
            self.ask(*year_first_or_last(gathered))
            return None
        if found.day_first and found.month_first and told != "YMD":
            self.ask(*contradiction(gathered))
            return None
        if told:
            against = found.month_first if told == "DMY" else found.day_first
            if against is not None and told in ("DMY", "MDY"):
                other = "MDY" if told == "DMY" else "DMY"
                self.ask(
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
            self.ask(*undecided(gathered))
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
