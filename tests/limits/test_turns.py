"""Answers turn where their limit meets what their finding tells, on made machines; slow for a test, so alone here."""

from __future__ import annotations

from .boundaries import all_turns, proven
from .test_limits import LISTED


def test_answers_turn_at_the_limits_that_are_listed_and_at_no_other() -> None:
    listed = {(check, name) for name, row in LISTED.items() for check in row.get("turns", ())}
    found = proven(all_turns())
    assert sorted(listed - found) == [], "answers that no longer turn at the limit that they name"
    assert sorted(found - listed) == [], "answers that turn at their limit and are not listed"
