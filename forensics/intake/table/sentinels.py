"""Numbers that stand for no reading, told from readings by how far off they stand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.intake.lexicon import read_words
from forensics.intake.table.values import Reasons
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role
from forensics.rules import read_limits

_COUNTED = frozenset({Dimension.COUNT, Dimension.DURATION})


def no_reading(
    values: NDArray[np.float64], reason: NDArray[np.uint16], reasons: Reasons, role: Role
) -> tuple[NDArray[np.float64], NDArray[np.uint16]] | None:
    """Take out numbers that mean no reading; None where there are none.

    Parameters
    ----------
    values, reason
        Readings as written and the reason of each missing one, shape (n,).

    Notes
    -----
    Taken out are numbers of the list in ``rules/words.toml`` that stand far off every other reading of the column or
    are all that the column holds (but for counters, which may stand at any number), and numbers larger than
    ``intake.largest_reading``.
    """
    if not len(values):
        return None
    low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    if not np.isfinite(low):
        return None
    listed = np.array(read_words().no_reading)
    largest = read_limits()["intake.largest_reading"]
    at_end = np.isclose(np.array([low, high])[:, None], listed[None, :], rtol=1e-6, atol=0.0).any()
    if not at_end and max(-low, high) <= largest:
        return None
    finite = np.isfinite(values)
    huge = finite & (np.abs(values) > largest)
    hits = (np.isin(values, listed) & finite) | huge
    rest = values[finite & ~hits]
    if len(rest):
        bottom, top = float(rest.min()), float(rest.max())
        spread = max(top - bottom, abs(top) * 0.05, 1e-9)
    elif ROLE_FACTS[role].dimension in _COUNTED and not huge.any():
        return None
    codes = None
    for value in np.unique(values[hits]):
        if len(rest) and abs(value) <= largest and max(bottom - value, value - top) <= 2 * spread:
            continue
        if codes is None:
            values, codes = values.copy(), reason.copy()
        chosen = values == value
        codes[chosen] = reasons.code(f"{value:g} stands for no reading")
        values[chosen] = np.nan
    return None if codes is None else (values, codes)
