"""Date cells of a sheet whose day and month were exchanged when a text export was opened in it: asked for.

A program that opens ``09/06/2024`` month first makes 6 September of it, and leaves ``13/06/2024``, which has no such
month, as text. The dates are right to look at; only the texts between them tell.
"""

from __future__ import annotations

import numpy as np

from forensics.intake.job import SourceJob
from forensics.intake.timestamps.date_order import OrderCount, local_ns
from forensics.intake.timestamps.fields import DAY_NS
from forensics.intake.timestamps.parse import read_fields
from forensics.intake.typed.cells import NO_TIME, CellTable

_MOST_MONTHS = 12


def dates_are_exchanged(job: SourceJob, table: CellTable, place: int) -> bool:
    """Whether date cells and texts of a time column fit each other only with day and month of the dates exchanged.

    Parameters
    ----------
    place
        Number of the time column.
    """
    import pyarrow as pa

    cells = table.columns[place]
    if cells.wall_ns is None or not cells.text:
        return False
    dated = np.flatnonzero(cells.wall_ns != NO_TIME)
    at = np.array(sorted(cells.text), np.int64)
    fields = read_fields(pa.array([cells.text[int(k)] for k in at], pa.string()))
    orders = OrderCount()
    orders.look(fields, table.row[at], lambda index: cells.text[int(at[index])])
    settled = orders.day_first or orders.month_first
    if settled is None or orders.both or (orders.day_first and orders.month_first) or not len(dated):
        return False
    days = cells.wall_ns[dated].astype("datetime64[ns]").astype("datetime64[D]")
    months = days.astype("datetime64[M]")
    day = (days - months).astype(np.int64) + 1
    if bool((day > _MOST_MONTHS).any()):
        return False
    texts, good = local_ns(fields, "DMY" if orders.day_first else "MDY")
    year = months.astype("datetime64[Y]")
    month = (months - year).astype(np.int64)
    exchanged = (year.astype("datetime64[M]") + (day - 1)).astype("datetime64[D]") + month
    moved = exchanged.astype("datetime64[ns]").astype(np.int64) + cells.wall_ns[dated] % DAY_NS
    whole = np.full(len(table.row), NO_TIME)
    whole[at[good]] = texts[good]
    as_read, other = whole.copy(), whole
    as_read[dated], other[dated] = cells.wall_ns[dated], moved
    if _steps_back(as_read) <= _steps_back(other):
        return False
    first = int(dated[0])
    job.stop(
        f"date cells and texts stand in one column, the texts all with a day above 12 (row {settled.row} "
        f"'{settled.text}'), the dates all with one up to 12 (row {int(table.row[first])} is "
        f"{table.cell(place, first)}); in time order they are only with day and month of the dates exchanged, as they "
        "are where a program opened the export with another order of day and month.",
        "Export it again as text and supply that file, or supply the sheet with the dates put right.",
        int(table.row[first]),
        table.names[place],
    )
    return True


def _steps_back(local: np.ndarray) -> int:
    """Number of steps against the way in which most of a column goes."""
    known = local[local != NO_TIME]
    steps = np.diff(known)
    return int(min((steps < 0).sum(), (steps > 0).sum()))
