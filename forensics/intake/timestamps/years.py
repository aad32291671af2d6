"""The year of stamps that carry none: told for the first row, and counted on where December becomes January."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from forensics.intake.timestamps.calendar import is_date
from forensics.intake.timestamps.date_order import local_ns
from forensics.intake.timestamps.fields import DAY_NS, NO_YEAR, OPEN, Fields

_HALF_YEAR_NS = 183 * DAY_NS


def put_years(parts: Sequence[Fields], order: str, first_year: int) -> int | None:
    """Put years into the stamps without one, in the order of the rows.

    Parameters
    ----------
    parts
        Fields of consecutive blocks; changed in place.
    order
        Order of day and month of the column.
    first_year
        Year of the first row. It goes up where month and day step back by more than half a year, and down where they
        step forward by as much, as they do in a log that is written newest first.

    Returns
    -------
    int or None
        Position of the first row whose day its year does not have (29 February); None where all have.
    """
    wrong, count = None, 0
    year, last = first_year, None
    for fields in parts:
        bare = fields.year == NO_YEAR
        count += len(fields)
        if not bare.any():
            continue
        within, _ = local_ns(fields, order or "DMY")
        steps = np.diff(within, prepend=within[:1] if last is None else np.array([last]))
        turns = (steps < -_HALF_YEAR_NS).astype(np.int64) - (steps > _HALF_YEAR_NS).astype(np.int64)
        years: NDArray[np.int64] = year + np.cumsum(turns)
        fields.year[bare] = years[bare]
        year, last = int(years[-1]), int(within[-1])
        first, second = (fields.q, fields.p) if order == "DMY" else (fields.p, fields.q)
        month = np.where(fields.form == OPEN, first, fields.p).astype(np.int64)
        day = np.where(fields.form == OPEN, second, fields.q).astype(np.int64)
        lost = bare & ~is_date(fields.year.astype(np.int64), month, day)
        if wrong is None and lost.any():
            wrong = count - len(fields) + int(np.flatnonzero(lost)[0])
    return wrong
