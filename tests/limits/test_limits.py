"""Each limit: the value that ships, the comparison that it decides, and what is not yet held against it.

``limits.toml`` lists every limit with its value (a limit that moves by a fifth moves answers, so a change is made in
two places and seen in review), the checks whose answer was seen to turn at it (``turns``) and those whose reading is
put at it (``reading``, test_readings_against_limits.py), or why there is none (``not_turned``). The list is exact: what
turns and is not listed fails as well as what is listed and does not turn.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from forensics.rules import read_checks, read_limits

from .looks import looks

LISTED: dict[str, dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "limits.toml").read_text(encoding="utf-8"), parse_float=float
)
NAMES = sorted(read_limits())


def test_every_limit_is_listed() -> None:
    assert sorted(LISTED) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_limit_has_the_value_and_unit_that_are_listed(name: str) -> None:
    limit = read_limits().limit(name)
    assert (limit.value, limit.unit) == (float(LISTED[name]["value"]), LISTED[name]["unit"])


@pytest.mark.parametrize("name", NAMES)
def test_a_limit_is_held_against_an_answer_or_says_why_not(name: str) -> None:
    row = LISTED[name]
    held = set(row) - {"value", "unit"}
    assert held == {"not_turned"} or (held and held <= {"turns", "reading"})
    assert {*row.get("turns", ()), *row.get("reading", ())} <= set(read_checks())
    assert row.get("turns", ["x"])
    assert row.get("reading", ["x"])
    assert row.get("not_turned", "x").strip()


def test_readings_are_held_against_the_limits_that_are_listed_and_no_other() -> None:
    listed = {(check, name) for name, row in LISTED.items() for check in row.get("reading", ())}
    assert listed == {pair for kind in looks().values() for pair in kind}
