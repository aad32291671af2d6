"""The year of stamps that carry none: told for the first row, and counted on where December becomes January."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from forensics.intake.timestamps.date_order import local_ns
from forensics.intake.timestamps.fields import DAY_NS, NO_YEAR, Fields

_HALF_YEAR_NS = 183 * DAY_NS


def put_years(parts: Sequence[Fields], order: str, first_year: int) -> None:
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
    """
    year, last = first_year, None
    for fields in parts:
        bare = fields.year == NO_YEAR
        if not bare.any():
            continue
        within, _ = local_ns(fields, order or "DMY")
        steps = np.diff(within, prepend=within[:1] if last is None else np.array([last]))
        turns = (steps < -_HALF_YEAR_NS).astype(np.int64) - (steps > _HALF_YEAR_NS).astype(np.int64)
        years: NDArray[np.int64] = year + np.cumsum(turns)
        fields.year[bare] = years[bare]
        year, last = int(years[-1]), int(within[-1])
