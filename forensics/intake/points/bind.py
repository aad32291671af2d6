"""From cells to points: the state words of each switch, beside the readings; how each point is recorded."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Point, Source
from forensics.intake.points.bind_numbers import NumberBinder
from forensics.intake.result import STATES_OF, Detection
from forensics.intake.table.values import NOT_A_NUMBER, StateWords, state_words
from forensics.model.points import OFF, ON, UNKNOWN
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role, is_switch

OUT_OF_RANGE, BELOW_VACUUM = "outside range", "below vacuum"
_SHOWN_WORDS = 6
_MOST_ODD = 40  # different texts whose line is looked for
_OTHER_MARK = re.compile(NOT_A_NUMBER + r"[+-]?\d+[.,]\d+")
_STUCK_SAMPLE = 20_000
_REGULAR_SHARE = 0.9
_REGULAR_TOLERANCE = 0.1
_OVER_INTERVAL = frozenset({Recorded.AVERAGE, Recorded.MINIMUM, Recorded.MAXIMUM})


@dataclass(slots=True)
class Binder(NumberBinder):
    """Turns the columns of one export into samples and switches."""

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
                "Add it to on, off or unknown of its [[point]], such as unknown = "
                f"[{json.dumps(word, ensure_ascii=False)}].",
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
