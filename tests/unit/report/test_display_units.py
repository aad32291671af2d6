"""Numbers, units and times as people see them."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from forensics.model.points import NS, Span
from forensics.report.words.units import ReportTime, alike, duration_words, number, shown_unit


def ns(text: str) -> int:
    return int(datetime.fromisoformat(text).astimezone(UTC).timestamp()) * NS


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (None, "–"),
        (float("nan"), "–"),
        (0.83, "0.83"),
        (117.04, "117"),
        (2.0, "2"),
        (123456.0, "123456"),
        (-0.01234, "-0.01234"),
    ],
)
def test_numbers(value: float | None, text: str) -> None:
    assert number(value) == text


def test_fixed_points_of_the_scales() -> None:
    """Freezing point 0 degC = 32 degF; a difference of 1 K is 1.8 degF (BIPM SI brochure, 9th edition)."""
    assert shown_unit("degC", "inch-pound").number(0.0) == "32"
    assert shown_unit("K", "inch-pound").number(5.0) == "9"
    assert shown_unit("degC", "si").text == "°C"


def test_every_axis_of_a_case_says_its_zone_and_offset() -> None:
    """Right value: EXPECT.md of folder 62 of the shared messy exports."""
    clock = ReportTime.over("America/Chicago", Span(ns("2024-06-15T12:00:00Z"), ns("2024-06-15T13:00:00Z")))
    assert clock.axis_title == "local time, America/Chicago (UTC-05:00)"
    shown = clock.axis_ms(np.array([ns("2024-06-15T12:00:00Z"), ns("2024-06-15T13:00:00Z")]))
    assert [datetime.fromtimestamp(v / 1000, UTC).strftime("%H:%M") for v in shown] == ["07:00", "08:00"]
    assert clock.both(ns("2024-06-15T13:00:00Z")) == "2024-06-15 08:00:00 -05:00 (2024-06-15T13:00:00.000Z)"


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe"])
def test_over_a_change_of_the_clocks_axes_are_utc(zone: str) -> None:
    """The clocks of all three zones change within 2031 (IANA time zone database)."""
    clock = ReportTime.over(zone, Span(ns("2031-01-10T00:00:00Z"), ns("2031-07-10T00:00:00Z")))
    assert clock.offset_s is None
    assert clock.axis_title.startswith("UTC")


def test_over_a_change_of_the_clocks_each_time_is_local_with_its_own_offset() -> None:
    """Europe/Berlin is at +01:00 before and at +02:00 after 30 March 2031, 01:00 UTC (IANA time zone database)."""
    clock = ReportTime.over("Europe/Berlin", Span(ns("2031-03-29T00:00:00Z"), ns("2031-03-31T00:00:00Z")))
    assert clock.text(ns("2031-03-30T00:30:00Z")) == "2031-03-30 01:30:00 +01:00"
    assert clock.text(ns("2031-03-30T01:30:00Z")) == "2031-03-30 03:30:00 +02:00"
    assert clock.spoken(ns("2031-03-30T01:30:00Z")) == "30 Mar 2031, 03:30:00 (UTC+02:00)"
    between = clock.spoken_interval(ns("2031-03-30T00:59:59Z"), ns("2031-03-30T01:00:01Z"))
    assert between == "30 Mar, 01:59:59 (UTC+01:00) to 03:00:01 (UTC+02:00)"


def test_a_change_of_one_hour_within_a_day_is_noticed() -> None:
    """The clocks of Europe/Berlin go forward on 30 March 2031 at 01:00 UTC (IANA time zone database)."""
    assert (
        ReportTime.over("Europe/Berlin", Span(ns("2031-03-30T00:30:00Z"), ns("2031-03-30T01:30:00Z"))).offset_s is None
    )


def test_durations() -> None:
    assert [duration_words(s) for s in (0.5, 90.0, 600.0, 7200.0, 259200.0)] == [
        "0.5 s",
        "90 s",
        "10 min",
        "2 h",
        "3 d",
    ]


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ((-0.128, -0.327, 0.0713), ["−0.13", "−0.33", "0.07"]),
        ((1037.4, 818.2, 1302.1), ["1,040", "820", "1,300"]),
        ((10.412, 10.1, 10.72), ["10.4", "10.1", "10.7"]),
        ((1.12e-9, -0.248, 0.2), ["0", "−0.25", "0.2"]),
        ((8.0, 8.0, 8.0), ["8", "8", "8"]),
        ((0.5, None, None), ["0.5", "", ""]),
    ],
)
def test_a_value_is_told_no_finer_than_its_interval(values: tuple[float | None, ...], said: list[str]) -> None:
    assert alike(values) == said


def test_a_time_under_the_pointer_has_its_offset() -> None:
    assert ReportTime("America/Chicago", -6 * 3600).hover_format.endswith("%L -06:00")
    assert ReportTime("America/Chicago", None).hover_format.endswith("%L UTC")
