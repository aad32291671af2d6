"""Shares of words, against ratios worked by hand on invented counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forensics.study.calibrate import LEAST_MACHINES, costs, fit_shares, judged_shares

STRONG_DB = 10.0 * np.log10(20.0)


def rows(
    true: tuple[int, int], false: tuple[int, int], *, word_db: float = STRONG_DB, half: str = "A", part: float = 1.0
) -> pd.DataFrame:
    """Machines with the mode (so many spoke, of so many), and machines without; one record each."""
    found = [
        {
            "check": "heat.x", "mode": "high-head", "outcome": "present", "word_db": word_db,
            "part": part if number < count else 0.0, "spoke": number < count, "true": kind, "weight": 1.0,
            "half": half, "build": f"build {number % 2}", "machine": number, "case": number,
        }
        for kind, (count, of) in ((True, true), (False, false))
        for number in range(of)
    ]  # fmt: skip
    return pd.DataFrame(found)


def only(table: pd.DataFrame) -> float:
    (fit,) = fit_shares(table).values()
    return fit.share


def test_with_many_machines_the_ratio_that_was_seen_is_found() -> None:
    # 80 % against 20 %: a ratio of 4, 6.02 of the 13.01 decibans of the word
    assert only(rows((8000, 10000), (4000, 20000))) == pytest.approx(np.log10(4.0) / np.log10(20.0), abs=0.005)


def test_a_sign_that_speaks_against_a_mode_is_fitted_alike() -> None:
    found = rows((2000, 10000), (16000, 20000), word_db=-STRONG_DB)
    assert only(found) == pytest.approx(np.log10(4.0) / np.log10(20.0), abs=0.005)


def test_a_part_of_the_word_counts_as_a_part() -> None:
    # the same ratio of 4 seen at half of the word's decibans
    assert only(rows((8000, 10000), (4000, 20000), part=0.5)) == pytest.approx(
        2 * np.log10(4.0) / np.log10(20.0), abs=0.01
    )


def test_a_sign_that_says_nothing_is_worth_nothing_where_many_show_it() -> None:
    assert only(rows((5000, 10000), (10000, 20000))) < 0.01


def test_with_few_machines_the_word_of_the_trade_stands() -> None:
    few, more = only(rows((3, 6), (6, 12))), only(rows((300, 600), (600, 1200)))
    assert 0.3 < few < 1.0
    assert more < 0.1


def test_with_fewer_machines_nothing_is_fitted() -> None:
    assert fit_shares(rows((1, LEAST_MACHINES - 1), (3, 30))) == {}
    assert len(fit_shares(rows((1, LEAST_MACHINES), (3, 30)))) == 1


def test_the_interval_narrows_with_machines_and_holds_the_ratio() -> None:
    wanted = np.log10(4.0) / np.log10(20.0)
    (few,) = fit_shares(rows((40, 50), (20, 100))).values()
    (many,) = fit_shares(rows((800, 1000), (400, 2000))).values()
    assert few.high - few.low > 2 * (many.high - many.low)
    assert many.low < wanted < many.high
    assert (few.true, few.true_of, few.false, few.false_of) == (40, 50, 20, 100)


def test_fitted_shares_cost_less_where_words_say_too_much_and_are_judged_on_other_cases() -> None:
    found = pd.concat([rows((50, 100), (40, 100), half=half) for half in "AB"])
    words, shares = costs(found[found["spoke"]], fit_shares(found))
    assert shares < words
    judged = judged_shares(found).set_index("judged")
    assert list(judged.index) == ["half B", "build 0", "build 1"]
    assert (judged["fitted"] < judged["words"]).all()
