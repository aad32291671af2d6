"""What the trade's words are worth on the study's machines: shares of their decibans, shrunk to what the trade says.

For a sign of a mode the ratio sought is that of the chance of what was seen with the mode and without it. The share of
the word's decibans is the one that costs least (`scores.cllr`, whose minimum is the true ratio), with a penalty for
leaving the trade's word: where the study has few machines, the word stands.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forensics.study.scores import cllr

Floats = NDArray[np.float64]
TRUST = 0.35
"""Standard uncertainty of a word of the trade, as a share of its decibans (our own choice)."""
MOST = 1.5
LEAST_MACHINES = 5
"""With fewer machines that have the mode and could be told, nothing is fitted."""
_NEPER = np.log(10.0) / 10.0
_Z95 = 1.959963984540054
KEY = ("check", "mode", "outcome")


@dataclass(frozen=True, slots=True)
class Fit:
    """What one sign of one mode was found to be worth.

    Attributes
    ----------
    share
        Of the decibans of its word; ``low`` and ``high`` its 95 % interval.
    true, true_of, false, false_of
        Machines with and without the mode: in how many the sign spoke, counted in parts where only some of a machine's
        records showed it, and of how many.
    """

    check: str
    mode: str
    outcome: str
    share: float
    low: float
    high: float
    true: float
    true_of: float
    false: float
    false_of: float


Fits = Mapping[tuple[str, str, str], Fit]


def fit_shares(rows: pd.DataFrame) -> dict[tuple[str, str, str], Fit]:
    """Fit the share of every sign that enough machines bear on (rows as `evidence_rows` makes them)."""
    found: dict[tuple[str, str, str], Fit] = {}
    for (check, mode, outcome), table in rows.groupby(list(KEY)):
        fit = _fit((str(check), str(mode), str(outcome)), table)
        if fit is not None:
            found[fit.check, fit.mode, fit.outcome] = fit
    return found


def _fit(key: tuple[str, str, str], table: pd.DataFrame) -> Fit | None:
    from scipy.optimize import minimize_scalar

    weight, true = table["weight"].to_numpy(float), table["true"].to_numpy(bool)
    spoke = table["spoke"].to_numpy(bool)
    true_of, false_of = float(weight[true].sum()), float(weight[~true].sum())
    if true_of < LEAST_MACHINES or false_of < LEAST_MACHINES:
        return None
    nepers = _NEPER * (table["word_db"] * table["part"]).to_numpy(float)
    with_it, without = spoke & true, spoke & ~true
    odds = true_of / false_of

    def cost(share: float) -> float:
        hits = weight[with_it] @ np.logaddexp(0.0, -share * nepers[with_it])
        alarms = odds * (weight[without] @ np.logaddexp(0.0, share * nepers[without]))
        return float(hits + alarms + 0.5 * ((share - 1.0) / TRUST) ** 2)

    share = float(minimize_scalar(cost, bounds=(0.0, MOST), method="bounded").x)
    chance = 1.0 / (1.0 + np.exp(-share * nepers))
    bent = weight * chance * (1.0 - chance) * nepers**2
    error = 1.0 / np.sqrt(float(bent[with_it].sum() + odds * bent[without].sum()) + TRUST**-2)
    return Fit(
        *key,
        share,
        max(0.0, share - _Z95 * error),
        share + _Z95 * error,
        float(weight[with_it].sum()),
        true_of,
        float(weight[without].sum()),
        false_of,
    )


def costs(rows: pd.DataFrame, fits: Fits) -> tuple[float, float]:
    """Cost of single signs that spoke, by the trade's words and by the fitted shares, pooled over signs and modes."""
    shares = np.array([fits[key].share if key in fits else 1.0 for key in zip(*(rows[k] for k in KEY), strict=True)])
    db, true = (rows["word_db"] * rows["part"]).to_numpy(float), rows["true"].to_numpy(bool)
    return cllr(db[true], db[~true]), cllr((db * shares)[true], (db * shares)[~true])


def judged_shares(rows: pd.DataFrame) -> pd.DataFrame:
    """The cost of signs on cases that nothing was fitted on: half B by half A, and each build by all others."""
    made = []
    folds = [("half B", rows["half"] == "B", rows["half"] == "A")]
    folds += [(build, rows["build"] == build, rows["build"] != build) for build in sorted(rows["build"].unique())]
    for name, judged, fitted in folds:
        held = rows[judged & rows["spoke"]]
        if held["true"].nunique() == 1 or not len(held):
            continue
        words, shares = costs(held, fit_shares(rows[fitted]))
        made.append({"judged": name, "signs": len(held), "words": words, "fitted": shares})
    return pd.DataFrame(made, columns=["judged", "signs", "words", "fitted"])
