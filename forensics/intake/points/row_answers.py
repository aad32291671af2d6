"""What the case file and the export tell of single rows: their pass of a repeated hour, their date, that they go."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import RowAnswer
from forensics.intake.lexicon import plain, read_words
from forensics.intake.table.raw_table import RawTable
from forensics.intake.timestamps.fields import DAY_NS
from forensics.intake.timestamps.zones import fixed_offset_s, offset_of, to_utc
from forensics.model.points import NS
from forensics.model.row_numbers import FILE_ROWS

DROPPED = "dropped by the case file"
_CONTRADICTS = 0.02  # more rows than this that contradict the zone: the column or the zone is another


@dataclass(slots=True)
class RowsTold:
    """What is told of the rows of one export.

    Attributes
    ----------
    summer
        1 for summer time or the first pass, 0 for standard time or the second, -1 where nothing tells; in the order of
        the gathered rows.
    drop
        Positions of rows that the case drops.
    """

    summer: NDArray[np.int8] | None = None
    drop: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))


def answer_rows(
    answers: Sequence[RowAnswer],
    gathered: RawTable,
    rows: NDArray[np.int64],
    local: NDArray[np.int64],
    told: RowsTold,
    ask: Callable[[str, str, int | None], None],
) -> bool:
    """Take in the answers of the case file; False where one is about no row.

    Parameters
    ----------
    local
        Wall-clock times of the gathered rows; changed where an answer gives a date.
    """
    drop = []
    for answer in answers:
        place = _place(answer, gathered, rows)
        if place is None:
            ask(
                f"[[source.row]] line = {answer.line}: no record with a time stands there.",
                "Correct line (and file, where the source has several).",
                None,
            )
            return False
        if answer.drop:
            drop.append(place)
        elif answer.date_ is not None:
            day = datetime(answer.date_.year, answer.date_.month, answer.date_.day, tzinfo=UTC)
            local[place] = round(day.timestamp()) * NS + local[place] % DAY_NS
        elif answer.pass_ is not None:
            if told.summer is None:
                told.summer = np.full(len(rows), -1, np.int8)
            told.summer[place] = int(answer.pass_ == "first")
    told.drop = np.array(sorted(drop), np.int64)
    return True


def _place(answer: RowAnswer, gathered: RawTable, rows: NDArray[np.int64]) -> int | None:
    wanted = answer.line
    if gathered.files:
        names = [file.path for file in gathered.files]
        found = [n for n, name in enumerate(names, start=1) if answer.file in (name, name.rpartition("/")[2])]
        if len(found) != 1:
            return None
        wanted += found[0] * FILE_ROWS
    hits = np.flatnonzero(rows == wanted)
    return int(hits[0]) if len(hits) == 1 else None


def summer_told(gathered: RawTable, column: int) -> tuple[NDArray[np.int8], str]:
    """What a column tells of summer time; the text is a word of it that is not known, empty where all are."""
    words, codes = gathered.words(column)
    known = read_words()
    meaning = np.full(len(words) or 1, -1, np.int8)
    for code, word in enumerate(words):
        key = plain(word)
        if key in known.summer_time_on or key in known.summer_time_off:
            meaning[code] = int(key in known.summer_time_on)
        elif key not in known.missing:
            return np.full(len(codes), -1, np.int8), word
    return meaning[codes] if len(codes) else np.zeros(0, np.int8), ""


def contradicts(summer: NDArray[np.int8], local: NDArray[np.int64], zone: str) -> int | None:
    """Position of the first row whose summer time is not that of the zone; None where (nearly) all agree."""
    if fixed_offset_s(zone) is not None or not len(local):
        return None
    utc = to_utc(local, zone, summer)
    offset = (local - utc.t) // NS
    standard = min(offset_of(int(local[0]) + days * DAY_NS, zone) for days in (0, 91, 182, 273))
    wrong = (summer >= 0) & ((offset > standard) != (summer == 1)) & ~utc.unsettled & ~utc.skipped
    return int(np.flatnonzero(wrong)[0]) if wrong.sum() > _CONTRADICTS * len(local) else None
