"""Rows whose stamps can't be right: single ones far off in a steady log, those of a clock that was set back."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from forensics.intake.timestamps.monotonicity import SetBack
from forensics.intake.timestamps.wording import in_units
from forensics.model.points import NS
from forensics.model.row_numbers import said_row

OUT_OF_ORDER = "stamp out of order"
_FAR_STEPS = 10.0  # usual steps: a row so far back did not merely arrive late
_NEAR_STEPS = 3.0  # the rows around a stray follow on each other
_FEW_ROWS = 3


def lone_strays(t: NDArray[np.int64]) -> NDArray[np.int64]:
    """Positions of single rows far off neighbours that follow on each other, where no hole waits for them.

    Parameters
    ----------
    t
        ns UTC in the order of the file, oldest rows first.
    """
    steps = np.diff(t)
    rising = steps[steps > 0] if bool((steps < 0).any()) else steps[:0]
    if not len(rising):
        return np.zeros(0, np.int64)
    usual = float(np.median(rising))
    off = np.minimum(np.abs(steps[:-1]), np.abs(steps[1:])) > _FAR_STEPS * usual
    opposite = (steps[:-1] > 0) != (steps[1:] > 0)
    around = t[2:] - t[:-2]
    found = np.flatnonzero(off & opposite & (around >= 0) & (around <= _NEAR_STEPS * usual)) + 1
    if not len(found):
        return found
    others = np.sort(np.delete(t, found))
    after = np.clip(np.searchsorted(others, t[found]), 1, len(others) - 1)
    inside = (t[found] > others[0]) & (t[found] < others[-1])
    hole = inside & (others[after] - others[after - 1] > 1.5 * usual)
    strays: NDArray[np.int64] = found[~hole]
    return strays


def set_back_into_the_past(
    found: Sequence[SetBack], rows: NDArray[np.int64], headers: Sequence[int]
) -> tuple[str, str, int] | None:
    """Question where many rows follow a step back and lie before all above it: parts joined, or a clock set back.

    Parameters
    ----------
    rows
        Source rows in the order of the log.
    headers
        Lines of repeated headers: where one stands at the step, parts of an export were joined.
    """
    for step in found:
        if not step.before_all or step.later <= _FEW_ROWS or step.position <= _FEW_ROWS:
            continue
        low, high = sorted((int(rows[step.position - 1]), int(rows[step.position])))
        if any(low < line < high for line in headers):
            continue
        return (
            f"line {said_row(int(rows[step.position]))}: the stamps step back by {in_units(step.by_ns / NS)}, and the "
            f"{step.later} rows from there on lie before all rows above: the clock was set back, or two parts stand in "
            "the wrong order.",
            "Supply the lines above and from there on as two sources: of one clock where parts were exchanged, each "
            "with a clock of its own where it was set back.",
            int(rows[step.position]),
        )
    return None
