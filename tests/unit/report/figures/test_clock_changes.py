"""Changes of a zone's offset inside a span, against the IANA time zone database through zoneinfo."""

from __future__ import annotations

from forensics.model.points import NS, Span, iso
from forensics.report.words.units import ReportTime

DAY_NS = 86_400 * NS
NOVEMBER_2031 = 1_951_000_000 * NS


def test_the_autumn_change_in_chicago_is_found_to_the_second() -> None:
    """2 November 2031, 02:00 daylight time is 07:00 UTC: the first Sunday of November (US rule since 2007)."""
    found = ReportTime("America/Chicago", None).changes(Span(NOVEMBER_2031 - 20 * DAY_NS, NOVEMBER_2031 + 20 * DAY_NS))
    assert [(iso(at)[:19], words) for at, words in found] == [("2031-11-02T07:00:00", "clocks change to UTC-06:00")]


def test_a_zone_without_changes_has_none() -> None:
    assert ReportTime("UTC", 0).changes(Span(NOVEMBER_2031 - 200 * DAY_NS, NOVEMBER_2031 + 200 * DAY_NS)) == []
