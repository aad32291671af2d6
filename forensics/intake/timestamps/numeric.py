"""Numbers that stand for times: Unix times by their digits, sheet day numbers of the 1900 and the 1904 system."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from forensics.intake.result import Detection
from forensics.intake.timestamps.fields import EPOCH, Fields
from forensics.intake.timestamps.wording import date_of
from forensics.model.points import NS
from forensics.model.row_numbers import said_row

_DAY_NS = 86_400 * NS
_NEAR_DAYS = 400  # a record that ends further from the failure than this is not taken to be of its year
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


@dataclass(slots=True)
class TimeNumbers:
    """Puts numeric stamps in place of fields.

    Attributes
    ----------
    told
        ``time_number`` of the case file; empty where it gives none.
    ask
        Puts a question: what, remedy, row.
    dated
        First and last of the stamps of the column that carry a date: the numbers among them are of their year.
    """

    told: str
    failure_ns: int | None
    ask: Callable[[str, str, int], None]
    detections: list[Detection] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    dated: tuple[int, int] | None = None

    def put_times(self, fields: Fields, rows: NDArray[np.int64]) -> bool:
        """Put numeric stamps in place of fields: ns UTC for Unix times, wall-clock ns for sheet days."""
        numeric = fields.form == EPOCH
        if not numeric.any():
            return True
        told = self.told
        days = numeric & (fields.digits == _DAY_DIGITS)
        for digits in np.unique(fields.digits[numeric]):
            chosen = numeric & (fields.digits == digits)
            unit = told or _EPOCH_DIGITS.get(int(digits)) or self._day_system(fields.number[chosen])
            first, last = int(rows[chosen][0]), int(rows[chosen][-1])
            if unit is None:
                value = fields.number[chosen][0]
                both = " or ".join(f"{date_of(_day_ns(value, base)):%Y-%m-%d}" for base in (_DAYS_1900, _DAYS_1904))
                self.ask(
                    f"'{value:.15g}' may be a sheet day number of the 1900 or of the 1904 system ({both}); "
                    "nothing in the case fixes the year.",
                    'Give time_number = "days-1900" or "days-1904".',
                    first,
                )
                return False
            if unit.startswith("days"):
                base = _DAYS_1900 if unit == "days-1900" else _DAYS_1904
                other = "days-1904" if unit == "days-1900" else "days-1900"
                wrong = date_of(
                    _day_ns(float(fields.number[chosen][0]), _DAYS_1904 if base == _DAYS_1900 else _DAYS_1900)
                )
                self._say(
                    f"the stamps are {_EPOCH_NAMES[unit]}; the {other.removeprefix('days-')} system would give "
                    f"{wrong:%Y-%m-%d}"
                )
                fields.tod_ns[chosen] = _day_ns_array(fields.number[chosen], base)
            elif not self._unix(fields, chosen, unit, first):
                return False
            where = f"line {said_row(first)}" if first == last else f"lines {said_row(first)}-{said_row(last)}"
            how = "given in the case file" if told else f"{int(digits)} digits on {where}"
            self.detections.append(Detection("time number", _EPOCH_NAMES[unit], how))
        fields.form[numeric] = 0
        fields.year[numeric], fields.p[numeric], fields.q[numeric] = 1970, 1, 1
        if not told.startswith("days"):
            unix = numeric & ~days if not told else numeric
            fields.offset_s[unix] = 0
        return True

    def _say(self, note: str) -> None:
        if note not in self.notes:
            self.notes.append(note)

    def _unix(self, fields: Fields, chosen: NDArray[np.bool_], unit: str, row: int) -> bool:
        scale = _EPOCH_UNITS[unit]
        whole = fields.tod_ns[chosen]
        fraction = np.round((fields.number[chosen] - np.floor(fields.number[chosen])) * scale).astype(np.int64)
        seconds = whole // (NS // scale)
        if ((seconds < _LIKELY[0]) | (seconds > _LIKELY[1])).any():
            self.ask(
                f"the number {int(whole[0])} read as {_EPOCH_NAMES[unit]} is not a time between 2001 and 2100.",
                "Give time_number (unix-s, unix-ms, unix-us, unix-ns, days-1900 or days-1904).",
                row,
            )
            return False
        fields.tod_ns[chosen] = whole * scale + (fraction if scale > 1 else 0)
        return True

    def _day_system(self, values: NDArray[np.float64]) -> str | None:
        """The one system that puts the numbers near the dates among them, else near the failure."""
        near = self.dated or ((self.failure_ns, self.failure_ns) if self.failure_ns is not None else None)
        if near is None:
            return None
        fits = []
        for name, base in (("days-1900", _DAYS_1900), ("days-1904", _DAYS_1904)):
            low, high = _day_ns(float(values.min()), base), _day_ns(float(values.max()), base)
            if low - _NEAR_DAYS * _DAY_NS <= near[1] and near[0] <= high + _NEAR_DAYS * _DAY_NS:
                fits.append(name)
        return fits[0] if len(fits) == 1 else None


def _day_ns(value: float, base: int) -> int:
    return int(_day_ns_array(np.array([value]), base)[0])


def _day_ns_array(values: NDArray[np.float64], base: int) -> NDArray[np.int64]:
    """Wall-clock ns of sheet day numbers, rounded to the millisecond (a day number has no more)."""
    days = np.floor(values)
    milliseconds = np.round((values - days) * 86_400_000).astype(np.int64)
    out: NDArray[np.int64] = (days.astype(np.int64) + base) * _DAY_NS + milliseconds * 1_000_000
    return out
