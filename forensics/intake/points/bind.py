"""From cells to points: readings in canonical units, the state words of each switch."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Point, Source
from forensics.case.schema import Machine
from forensics.errors import Problem, Problems, Severity
from forensics.intake.points.glued_marks import MarkedColumn, in_one_unit, settle_marks
from forensics.intake.points.plausible import below_vacuum, may_be_parts_of_one
from forensics.intake.points.units import UnitJudge
from forensics.intake.result import STATES_OF, Detection
from forensics.intake.table.sentinels import no_reading
from forensics.intake.table.values import NOT_A_NUMBER, Numbers, Reasons, StateWords, state_words
from forensics.model.points import NS, OFF, ON, UNKNOWN, Origin, Samples
from forensics.model.row_numbers import FILE_ROWS, said_row
from forensics.model.switches import Switch
from forensics.model.units import Unit, to_canonical
from forensics.model.vocabulary import ROLE_FACTS, Quality, Recorded, Role, is_switch

OUT_OF_RANGE, BELOW_VACUUM = "outside range", "below vacuum"
_SHOWN_WORDS = 6
_MOST_ODD = 40  # different texts whose line is looked for
_OTHER_MARK = re.compile(NOT_A_NUMBER + r"[+-]?\d+[.,]\d+")
_STUCK_SAMPLE = 20_000
_REGULAR_SHARE = 0.9
_REGULAR_TOLERANCE = 0.1
_OVER_INTERVAL = frozenset({Recorded.AVERAGE, Recorded.MINIMUM, Recorded.MAXIMUM})


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one point: ns UTC, quality flags, source rows, shape (n,) each; how each is recorded, over which time."""

    t: NDArray[np.int64]
    flags: NDArray[np.uint16]
    row: NDArray[np.int64]
    recorded: Recorded
    interval_s: float = 0.0


@dataclass(slots=True)
class Binder:
    """Turns the columns of one export into samples and switches.

    Attributes
    ----------
    missing
        Bound cells without a reading, by the number of their file and by reason, over all points.
    """

    path: str
    source: Source
    clock: str
    machine: Machine
    problems: Problems
    resolution_s: float
    detections: list[Detection] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    missing: dict[int, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))

    def ask(self, point: Point, what: str, remedy: str, row: int | None = None, kind: str = "") -> None:
        """Put a question about one point: it is left out, the rest runs."""
        self.problems.add(
            Problem(
                what, file=self.path, row=row, column=point.column, remedy=remedy, severity=Severity.POINT, kind=kind
            )
        )

    def ask_unit(self, point: Point, what: str, remedy: str) -> None:
        """Ask for the unit of one point."""
        self.ask(point, what, remedy, kind="unit")

    def count_missing(self, reason: str, rows: NDArray[np.int64]) -> None:
        """Count cells without a reading, each with the file that its row stands in."""
        if not len(rows):
            return
        if int(rows[-1]) < FILE_ROWS:
            self.missing[0][reason] += len(rows)
            return
        for file, count in zip(*np.unique(rows // FILE_ROWS, return_counts=True), strict=True):
            self.missing[int(file)][reason] += int(count)

    # numbers

    def samples(
        self,
        point: Point,
        numbers: Numbers,
        reasons: Reasons,
        rows: Rows,
        header: str,
        units_row: str,
    ) -> Samples | None:
        """Samples of one point in the canonical unit of its role; None where a question stands.

        Parameters
        ----------
        numbers
            Readings as written, with the reason of each missing one, shape (n,).
        rows
            Their times, flags and source rows.
        header, units_row
            What the column's name and the units row say.
        """
        judge = UnitJudge(self.ask_unit, self.detections, self.notes)
        glued = settle_marks(
            MarkedColumn(point, numbers, reasons, rows.row),
            self.source.mark,
            judge.said_units(point, header, units_row),
        )
        if glued.question:
            self.ask(point, *glued.question)
        if glued.lost:
            return None
        self.notes.extend(glued.notes)
        unit = judge.unit_of(point, header, units_row, glued.unit)
        if unit is None:
            return None
        values, reason = glued.values, glued.reason
        not_readings = None if point.range is not None else no_reading(values, reason, reasons, point.role)
        if not_readings is not None:
            values, reason = not_readings
        values = in_one_unit(values, glued.own_units, unit)
        if self._ask_parts_of_one(point, values, unit):
            return None
        missing = reasons.count(reason)
        odd = [name for name in missing if name.startswith(NOT_A_NUMBER)]
        places = {name: rows.row[reason == reasons.names.index(name)] for name in odd[:_MOST_ODD]}
        lines = {name: int(found.min()) for name, found in places.items() if len(found)}
        if odd and self._ask_odd(point, odd, lines, is_number=bool(np.isfinite(values).any())):
            return None
        rows = self._at_interval_start(point, rows)
        canonical = self._convert(point, values, unit)
        if canonical is None:
            return None
        quality = self._no_gas(point, canonical, unit, rows)
        if glued.uncertain is not None:
            quality = np.where(glued.uncertain, quality | np.uint16(Quality.UNCERTAIN), quality)
        empty = ~np.isfinite(canonical)
        if empty.any():
            quality = np.where(empty, quality | np.uint16(Quality.MISSING), quality)
        for name in missing:
            self.count_missing(name, rows.row[reason == reasons.names.index(name)])
        if point.range is not None:
            quality = quality.copy()
            self._out_of_range(point, values, quality, empty, rows.row)
        return Samples(
            role=point.role,
            origin=self.origin(point, rows.recorded, rows.interval_s),
            t=rows.t,
            v=canonical,
            q=quality,
            row=rows.row,
            resolution=_resolution(canonical),
        )

    def _ask_parts_of_one(self, point: Point, values: NDArray[np.float64], unit: Unit) -> bool:
        """Ask where readings in per cent may be parts of one."""
        if point.range is not None or not may_be_parts_of_one(values, unit):
            return False
        self.ask(
            point,
            f"its unit is '{unit.text}', and all of its readings lie between 0 and 1: per cent, or parts of one?",
            'Give unit = "fraction" for parts of one, or range = [0, 100] where they are per cent.',
            kind="unit",
        )
        return True

    def _no_gas(self, point: Point, canonical: NDArray[np.float64], unit: Unit, rows: Rows) -> NDArray[np.uint16]:
        """Flags of the rows, pressures below vacuum out of range."""
        below = below_vacuum(canonical, unit, point.role)
        if below is None:
            return rows.flags
        self.count_missing(BELOW_VACUUM, rows.row[below])
        self.notes.append(
            f"{point.column}: {int(below.sum())} readings lie below vacuum and count as missing (first on line "
            f"{said_row(int(rows.row[below][0]))})"
        )
        return np.where(below, rows.flags | np.uint16(Quality.OUT_OF_RANGE), rows.flags)

    def _out_of_range(
        self,
        point: Point,
        values: NDArray[np.float64],
        quality: NDArray[np.uint16],
        empty: NDArray[np.bool_],
        rows: NDArray[np.int64],
    ) -> None:
        """Mark readings outside the range that the case gives; they count as missing."""
        if point.range is None:
            return
        low, high = point.range
        outside = ~empty & ((values < low) | (values > high))
        quality[outside] |= np.uint16(Quality.OUT_OF_RANGE)
        if outside.any():
            self.count_missing(OUT_OF_RANGE, rows[outside])
            self.notes.append(
                f"{point.column}: {int(outside.sum())} readings lie outside range = [{low:g}, {high:g}] and count "
                f"as missing (first: {values[outside][0]:g} on line {said_row(int(rows[outside][0]))})"
            )

    def _ask_odd(self, point: Point, odd: list[str], lines: dict[str, int], *, is_number: bool) -> bool:
        """Ask about a column without any number, or with numbers in another decimal mark than the file's."""
        if not is_number:
            remedy = "Bind it to another role, or correct column."
            self.ask(point, f"the column holds no number ({odd[0]}).", remedy, lines.get(odd[0]))
            return True
        other = [name for name in odd if _OTHER_MARK.fullmatch(name)]
        if other:
            self.ask(
                point,
                f"'{other[0].removeprefix(NOT_A_NUMBER)}' has another decimal mark than the rest of the file.",
                "Supply the parts as two sources, each with its decimal.",
                lines.get(other[0]),
            )
        elif odd:
            shown = ", ".join(f"'{name.removeprefix(NOT_A_NUMBER)}'" for name in odd[:3])
            self.notes.append(
                f"{point.column}: cells such as {shown} on line {said_row(min(lines.values()))} are no numbers and "
                "count as missing"
            )
        return bool(other)

    def _at_interval_start(self, point: Point, rows: Rows) -> Rows:
        """Rows of averages and extremes at the start of their interval, which the stamp may mark the end of."""
        if rows.recorded not in _OVER_INTERVAL or len(rows.t) < 2:  # noqa: PLR2004 - an interval needs two stamps
            return rows
        stamps = self.source.stamps
        if stamps is None:
            note = "averages, minima and maxima are read as if their stamps were instants: give stamps in [[source]]"
            if note not in self.notes:
                self.notes.append(note)
        if stamps not in ("interval-start", "interval-end"):
            return rows
        step = int(np.median(np.diff(rows.t)))
        self.detections.append(
            Detection(f"interval of {point.column}", f"{step / NS:g} s", f"steps between its rows; stamps = {stamps}")
        )
        t = rows.t - step if stamps == "interval-end" else rows.t
        return replace(rows, t=t, interval_s=step / NS)

    def _convert(self, point: Point, values: NDArray[np.float64], unit: Unit) -> NDArray[np.float64] | None:
        air_kpa = self.machine.air_kpa
        try:
            return to_canonical(
                values, unit, point.role, air_pressure_kpa=air_kpa, rated_amps=self.machine.rated_load_amps
            )
        except ValueError:
            if unit.of_rated_amps:
                self.ask(point, f"unit '{unit.text}' needs the rated amps.", "Give machine.rated_load_amps.")
            else:
                self.ask(
                    point,
                    f"unit '{unit.text}' is a gauge pressure and the air pressure at site is not known.",
                    "Give machine.altitude_m or machine.air_pressure_kpa (101.325 kPa is assumed only if you say so).",
                )
            return None

    # states

    def words_for(self, point: Point) -> StateWords:
        """State words of a point: its own, else its source's, else the lists."""
        return state_words(
            point.on or self.source.on,
            point.off or self.source.off,
            point.unknown or self.source.unknown,
            point.role.value,
        )

    def switch(
        self,
        point: Point,
        words: list[str],
        codes: NDArray[np.int32],
        t: NDArray[np.int64],
        row: NDArray[np.int64],
        recorded: Recorded,
    ) -> Switch | None:
        """Switch of one point; None where a word's meaning must be asked for.

        Parameters
        ----------
        words, codes
            The different texts of the column, and the number of the text in each row, shape (n,).
        """
        meaning = self.words_for(point)
        used = np.flatnonzero(np.bincount(codes)) if len(codes) else np.zeros(0, np.int64)
        table = np.full(len(words) or 1, UNKNOWN, np.int8)
        unknown: list[tuple[int, str]] = []
        for code in used:
            state = meaning.meaning(words[int(code)])
            if state is None:
                first = int(row[codes == code][0])
                unknown.append((first, words[int(code)]))
            else:
                table[int(code)] = state
                if state == UNKNOWN:
                    name = words[int(code)].strip() or "empty"
                    self.count_missing(name, row[codes == code])
        if unknown:
            self._ask_words(point, sorted(unknown))
            return None
        counts = np.bincount(codes, minlength=len(words)) if len(codes) else np.zeros(len(words), np.int64)
        seen = ", ".join(
            f"{words[int(code)].strip() or 'empty'} \u00d7 {counts[int(code)]}" for code in used[:_SHOWN_WORDS]
        )
        self.detections.append(Detection(f"{STATES_OF}{point.column}", seen, "all of its cells"))
        state_of_row = table[codes] if len(codes) else np.zeros(0, np.int8)
        if point.role is Role.TRIP and len(state_of_row) and bool((state_of_row == ON).all()):
            self.notes.append(f"{point.column}: the trip stands in every row, so its beginning is not in this record")
        return Switch(point.role, self.origin(point, recorded), t, state_of_row, row)

    def _ask_words(self, point: Point, unknown: list[tuple[int, str]]) -> None:
        numbers = [word for _, word in unknown if re.fullmatch(r"\s*[+-]?[\d.,]+\s*", word)]
        if len(numbers) > 3:  # noqa: PLR2004 - more than a few numbers are no states
            self.ask(
                point,
                f"the column holds numbers ({', '.join(numbers[:4])}, …), not on and off.",
                "Bind it to a role that is a number, or give its on and off values.",
                unknown[0][0],
            )
            return
        for row, word in unknown[:5]:
            self.ask(
                point,
                f"what does '{word}' mean (on, off, unknown)?",
                f'Add it to on, off or unknown of its [[point]], such as unknown = ["{word}"].',
                row,
            )

    def level(self, point: Point, words: list[str]) -> dict[str, float] | None:
        """For an oil level written as states: 100 for on, 0 for off; None where it is a number."""
        if point.role is not Role.OIL_LEVEL:
            return None
        meaning = self.words_for(point)
        table = {word: meaning.meaning(word) for word in words}
        number = re.compile(r"\s*[+-]?\d+(?:[.,]\d+)?\s*%?\s*")
        if any(number.fullmatch(word) for word in words) and not (point.on or point.off):
            return None
        if any(state is None for state in table.values()) or not any(state in (ON, OFF) for state in table.values()):
            return None
        return {
            word: {ON: 100.0, OFF: 0.0}.get(state or 0, np.nan) if state != UNKNOWN else np.nan
            for word, state in table.items()
        }

    def origin(self, point: Point, recorded: Recorded, interval_s: float = 0.0) -> Origin:
        """Where samples of a point come from; an average is known to no less than its interval."""
        place = self.source.measured_at
        if not place and ROLE_FACTS[point.role].group == "electrical":
            place = self.machine.current_sensor.measured_at
        return Origin(
            source=self.path,
            column=point.column,
            clock=self.clock,
            recorded=recorded,
            hold_s=point.hold if recorded is Recorded.CHANGE else None,
            measured_at=place,
            resolution_s=max(self.resolution_s, interval_s),
        )


def _resolution(values: NDArray[np.float64]) -> float:
    """Smallest step between different readings, from neighbours and from the different values of a part."""
    if len(values) > _STUCK_SAMPLE * 4:
        # the step of a logger shows in any part of its record: ten stretches of it are looked at
        stretch = _STUCK_SAMPLE // 5
        begins = np.linspace(0, len(values) - stretch, 10).astype(np.int64)
        values = np.concatenate([values[begin : begin + stretch] for begin in begins])
    finite = values[np.isfinite(values)]
    if len(finite) < 2:  # noqa: PLR2004 - a step needs two readings
        return 0.0
    steps = np.abs(np.diff(finite))
    scale = float(np.abs(finite).max()) or 1.0
    steps = steps[steps > scale * 1e-9]
    best = float(steps.min()) if len(steps) else 0.0
    part = np.unique(finite[:: max(1, len(finite) // _STUCK_SAMPLE)])
    inner = np.diff(part)
    inner = inner[inner > scale * 1e-9]
    if len(inner):
        best = min(best, float(inner.min())) if best else float(inner.min())
    return float(f"{best:.6g}")


def recorded_of(
    point: Point, source: Source, t: NDArray[np.int64], *, long: bool, events: bool
) -> tuple[Recorded, str]:
    """How a point is recorded, and the evidence: told, else a change log where the rows of a point come unevenly."""
    if point.recorded is not None:
        return point.recorded, "given in the case file"
    if source.stamps in ("interval-start", "interval-end") and is_number(point):
        return Recorded.AVERAGE, "its stamps mark intervals"
    if events:
        return Recorded.CHANGE, "event list"
    if not long:
        return Recorded.INSTANT, "one row holds all points"
    steps = np.diff(t)
    steps = steps[steps > 0]
    if len(steps) > 2:  # noqa: PLR2004 - fewer steps show no rhythm
        usual = float(np.median(steps))
        share = float((np.abs(steps - usual) <= _REGULAR_TOLERANCE * usual).mean())
        if share >= _REGULAR_SHARE:
            return Recorded.INSTANT, f"{share:.0%} of its rows are {usual / 1e9:g} s apart"
    return Recorded.CHANGE, "its rows come unevenly"


def is_number(point: Point) -> bool:
    """Whether a point is read as numbers."""
    return not is_switch(point.role)
