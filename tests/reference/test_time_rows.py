"""Stamps, zones and records of change: rows of areas ST and PN, read through intake as an export is read.

Sources: IANA time zone database (computed), RFC 3339 clause 5.8 (from memory), the 1900 date system, JCGM 100, the
definitions of the open point vocabulary that a row names, ASHRAE 135 (as quoted in secondary sources).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from check_values import Row
from steady import BEGIN_NS, point

from forensics.case.read import check_case
from forensics.case.values import local_to_utc
from forensics.errors import Problems, Severity
from forensics.intake import SourceResult, read_sources
from forensics.intake.timestamps.zones import to_utc
from forensics.model.points import NS, Span, iso
from forensics.model.vocabulary import Recorded, Role
from forensics.report.words.units import ReportTime

Rows = dict[str, Row]
Reader = Callable[..., tuple[SourceResult, Problems]]


@pytest.fixture
def read(tmp_path: Path) -> Reader:
    """Reads an export of stamps and amps that is given as lines."""

    def reader(*lines: str, zone: str = "UTC", case: dict[str, Any] | None = None, **source: Any) -> Any:
        (tmp_path / "log.csv").write_text("\n".join(["Time,Amps", *lines]) + "\n", encoding="utf-8")
        data = {
            "schema": 1,
            "case": {"id": "x", "time_zone": zone, **(case or {})},
            "machine": {"refrigerant": "R134a"},
            "source": [{"path": "log.csv", **source}],
            "point": [{"role": "motor_amps", "column": "Amps", "unit": "A"}],
        }
        problems = Problems()
        (found,) = read_sources(check_case(data), tmp_path, None, problems)
        return found, problems

    return reader


def stamps(reading: SourceResult) -> list[str]:
    return [iso(int(t)) for sample in reading.samples for t in sample.t]


def local_ns(text: str) -> int:
    return int(np.datetime64(text, "ns").astype(np.int64))


# wall-clock time in the repeated hour; the row has both passes in UTC
REPEATED = [("ST-083", "2024-11-03T01:30"), ("ST-085", "2024-10-27T02:30")]


@pytest.mark.parametrize(("row_id", "local"), REPEATED)
def test_both_passes_of_a_repeated_hour(rows: Rows, row_id: str, local: str) -> None:
    row = rows[row_id]
    zone = row.inputs if "/" in row.inputs else row.quantity
    first, second = (local_ns(utc.strip().rstrip("Z")) for utc in row.expected.split(";"))
    # every half hour of true time about the change, as a wall clock shows it
    true = first + np.arange(-6, 9) * 1800 * NS
    info = ZoneInfo(zone)
    offset = [datetime.fromtimestamp(int(t) // NS, UTC).astimezone(info).utcoffset() for t in true]
    wall = true + np.array([round(o.total_seconds()) for o in offset if o is not None]) * NS
    found = to_utc(wall, zone)
    at = np.flatnonzero(wall == local_ns(local))
    assert found.t[at].tolist() == [first, second]
    assert found.t.tolist() == true.tolist()
    assert not found.unsettled.any()


def test_a_skipped_hour_is_asked_about_and_never_shifted(rows: Rows, read: Reader) -> None:
    """ST-084: the zone database would map it silently."""
    row = rows["ST-084"]
    lines = ("2024-03-10 01:30:00,40", "2024-03-10 02:30:00,41", "2024-03-10 03:30:00,42")
    found, problems = read(*lines, zone=row.inputs)
    assert stamps(found) == []
    (stop,) = problems.of(Severity.STOP)
    assert "does not exist in America/New_York" in str(stop)
    assert to_utc(np.array([local_ns("2024-03-10T02:30")]), row.inputs).skipped.tolist() == [True]


def test_a_zone_of_half_hours(rows: Rows, read: Reader) -> None:
    """ST-086."""
    row = rows["ST-086"]
    found, _ = read("2024-06-01 12:00:00,40", "2024-06-01 12:01:00,41", zone="Asia/Kolkata")
    assert stamps(found)[0].startswith(row.expected.rstrip("Z"))


def test_two_stamps_of_one_instant(rows: Rows, read: Reader) -> None:
    """ST-087: an offset in the stamp counts whatever zone the case names."""
    row = rows["ST-087"]
    found, _ = read(f"{row.inputs},40", "1996-12-19T16:40:57-08:00,41", zone="Europe/Berlin")
    assert stamps(found)[0] == row.expected.replace("Z", ".000Z")
    assert local_to_utc(datetime.fromisoformat(row.inputs), "Europe/Berlin") == datetime.fromisoformat(row.expected)


def test_fractions_of_a_second(rows: Rows, read: Reader) -> None:
    """ST-088: to the last written digit."""
    row = rows["ST-088"]
    found, _ = read(f"{row.inputs},40", "1985-04-12T23:20:51.52Z,41")
    assert int(found.samples[0].t[0]) == round(row.values[0] * 100) * NS // 100


def test_a_leap_second_is_read_or_set_aside_with_its_reason(rows: Rows, read: Reader) -> None:
    """ST-089, from memory: no crash, and no row that vanishes."""
    row = rows["ST-089"]
    found, problems = read("1990-12-31T23:59:59Z,40", f"{row.inputs},41", "1991-01-01T00:00:01Z,42")
    account = found.accounting
    assert account.rows_kept + sum(account.set_aside.values()) == 3
    if account.rows_kept == 2:
        assert account.listed[0].row == 3
        assert list(problems) or account.set_aside


def test_a_sheet_day_number_is_a_time_of_the_1900_system(rows: Rows, read: Reader) -> None:
    """ST-090; with nothing that tells the system it is asked for."""
    row = rows["ST-090"]
    number = row.quantity.split(":")[1].split()[0]
    found, _ = read(f"{number},40", "45292.75,41", time_number="days-1900")
    assert stamps(found)[0].startswith(row.expected)
    found, problems = read(f"{number},40", "45292.75,41")
    assert stamps(found) == []
    assert "1900" in str(problems.of(Severity.STOP)[0])


def test_a_date_that_fits_both_orders_must_be_declared(rows: Rows, read: Reader) -> None:
    """ST-091."""
    row = rows["ST-091"]
    day_first, month_first = row.expected.split(" vs ")
    lines = ("03/04/2024 02:00,40", "04/04/2024 02:00,41")
    found, problems = read(*lines)
    assert stamps(found) == []
    assert 'Give date_order = "DMY" or "MDY"' in str(problems.of(Severity.STOP)[0])
    for order, expected in (("DMY", day_first), ("MDY", month_first)):
        found, _ = read(*lines, date_order=order)
        assert stamps(found)[0].startswith(expected)


def test_times_are_kept_in_utc_and_shown_with_zone_and_offset(rows: Rows) -> None:
    """PN-076, RFC 3339 (from memory): one instant of a repeated hour is told from the other."""
    stamp = datetime.fromisoformat(rows["PN-076"].inputs.partition("[")[0])
    zone = rows["PN-076"].inputs.partition("[")[2].rstrip("]")
    time_ns = round(local_to_utc(stamp, zone).timestamp()) * NS
    assert iso(time_ns) == "2024-11-03T06:30:00.000Z"
    day = Span(time_ns, time_ns + 3600 * NS)
    assert ReportTime.over(zone, day).both(time_ns) == "2024-11-03 01:30:00 -05:00 (2024-11-03T06:30:00.000Z)"
    over_the_change = ReportTime.over(zone, Span(time_ns - 7200 * NS, time_ns + 7200 * NS))
    assert over_the_change.text(time_ns) == "2024-11-03 01:30:00 -05:00"
    assert over_the_change.text(time_ns - 3600 * NS) == "2024-11-03 01:30:00 -04:00"
    assert datetime.fromtimestamp(time_ns // NS, UTC) - stamp == timedelta(0)


def test_a_record_of_change_holds_until_its_next_row(rows: Rows) -> None:
    """PN-049: 10 up to the row at 60 s, 20 from it on."""
    row = rows["PN-049"]
    samples = point(Role.MOTOR_AMPS, np.array([10.0, 20.0]), 60.0, Recorded.CHANGE)
    at = BEGIN_NS + np.array([59_900_000_000, 60 * NS], np.int64)
    assert samples.at(at).tolist() == list(row.values)


def test_a_row_that_is_no_reading_is_a_gap_and_never_zero(rows: Rows, read: Reader) -> None:
    """PN-051, PN-053, PN-054: log records and point states that carry no value are gaps, with their reason."""
    assert "never as zeros" in rows["PN-053"].expected
    states = [word for word in rows["PN-051"].inputs.split() if word not in ("ok", "stale")]
    words = [*states, *(word.strip() for word in rows["PN-054"].inputs.split(";"))]
    assert len(words) == 11
    lines = [f"2024-06-01 12:00:{2 * n:02d},{40 + n}" for n in range(20)]
    lines += [f"2024-06-01 12:01:{n:02d},{word}" for n, word in enumerate(words)]
    found, _ = read(*lines)
    (samples,) = found.samples
    assert len(samples.usable) == 20
    assert not (samples.v == 0.0).any()
    account = found.accounting
    assert account.rows_kept + sum(account.set_aside.values()) == 31
