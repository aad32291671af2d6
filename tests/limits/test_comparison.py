"""The shared comparison of an estimate with a limit: 1 % this side of it, on it, and 1 % that side."""

from __future__ import annotations

import pytest

from forensics.model.vocabulary import Outcome
from forensics.signatures.core.finding import three_way

from .test_limits import LISTED

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL
DECIDED = [(name, row["value"]) for name, row in LISTED.items() if "not_turned" not in row and row["value"] > 0]


@pytest.mark.parametrize("above", [True, False])
@pytest.mark.parametrize(("name", "limit"), DECIDED, ids=[name for name, _ in DECIDED])
def test_an_estimate_one_percent_this_side_on_it_and_that_side(name: str, limit: float, above: bool) -> None:
    over, under = 1.01 * limit, 0.99 * limit
    beyond, short = (over, under) if above else (under, over)
    assert three_way(beyond, beyond, limit, above=above) is PRESENT
    assert three_way(short, short, limit, above=above) is ABSENT
    # on the limit is within it: "above" and "below" are said of what lies beyond
    assert three_way(limit, limit, limit, above=above) is ABSENT
    assert three_way(under, over, limit, above=above) is CANNOT_TELL
    # an interval that ends on the limit
    assert three_way(min(short, limit), max(short, limit), limit, above=above) is ABSENT
    assert three_way(min(beyond, limit), max(beyond, limit), limit, above=above) is CANNOT_TELL
