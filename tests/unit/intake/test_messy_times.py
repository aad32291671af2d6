"""Exports whose stamps go quietly wrong: the right times, or the right question.

The inputs and right values were invented for this project.
"""

from __future__ import annotations

import datetime

import pytest
from intake_reading import utc, values

from forensics.errors import Severity
from forensics.model.vocabulary import Recorded

AMPS = ("motor_amps", "CH2 Comp Amps", {"unit": "A"})
OIL = ("oil_pressure_difference", "CH2 OilP kPa")
LOAD = ("load_solenoid", "CH2 LoadSol")


def test_day_first_is_decided_for_the_whole_column_by_the_first_stamp_that_settles_it(messy):
    read = messy("01", "ch2_daily.csv", [AMPS, OIL])
    assert read.one.accounting.rows_kept == 8
    assert read.one.accounting.set_aside == {}
    assert utc(read.samples("motor_amps")) == [f"2024-06-{day:02d}T06:00:00" for day in range(9, 17)]
    assert "day/month/year; decided by line 6 (13/06/2024); 4 of 8 stamps fit both orders" in read.detected(
        "date order"
    )
    assert not list(read.problems)


def test_dates_that_fit_both_orders_are_asked_for_with_both_spans(messy):
    read = messy("02", "ch2_short.csv", [AMPS, LOAD])
    assert read.one.accounting.rows_kept == 0
    assert not read.roles()
    said = read.said(Severity.STOP)
    assert "all 3 stamps fit day/month/year and month/day/year" in said
    assert "Line 2 '03/04/2024 02:10' is 3 April or 4 March" in said
    assert "As day-first the file spans 2 days (3 to 5 April 2024)" in said
    assert "as month-first 61 days (4 March to 4 May 2024)" in said
    assert 'Give date_order = "DMY" or "MDY"' in said


@pytest.mark.parametrize(
    ("order", "first", "last"), [("DMY", "2024-04-03", "2024-04-05"), ("MDY", "2024-03-04", "2024-05-04")]
)
def test_the_answer_to_the_order_is_followed(messy, order, first, last):
    read = messy("02", "ch2_short.csv", [AMPS], source={"date_order": order})
    stamps = utc(read.samples("motor_amps"))
    assert stamps[0] == f"{first}T02:10:00"
    assert stamps[-1] == f"{last}T02:10:00"


def test_orders_that_contradict_each_other_are_asked_for_with_their_lines(messy):
    read = messy("03", "ch2_pasted.csv", [AMPS])
    said = read.said(Severity.STOP)
    assert (
        "no single date order fits. Line 2 '13/06/2024' needs day-first; line 4 '06/15/2024' needs month-first" in said
    )
    assert "Supply lines 2-3 and lines 4-5 as two sources" in said
    assert not read.roles()


def test_a_told_order_that_does_not_fit_is_asked_for(text):
    read = text(
        "Time,Amps\n13/06/2024 10:00,1\n14/06/2024 10:00,2\n", [("motor_amps", "Amps")], source={"date_order": "MDY"}
    )
    assert "'13/06/2024 10:00' does not fit date_order" in read.said(Severity.STOP)


def test_the_repeated_hour_in_file_order_keeps_both_passes(messy):
    read = messy("06", "ch2_dst.csv", [AMPS, OIL], zone="Europe/Berlin")
    start = datetime.datetime(2024, 10, 26, 23, 45)
    wanted = [(start + datetime.timedelta(minutes=15 * i)).isoformat() for i in range(10)]
    oil = read.samples("oil_pressure_difference")
    assert utc(oil) == wanted
    assert dict(zip(utc(oil), values(oil), strict=True))["2024-10-27T01:15:00"] == 371.0
    assert dict(zip(utc(oil), values(oil), strict=True))["2024-10-27T01:45:00"] == 15.0
    assert read.one.accounting.set_aside == {}


def test_stamps_in_the_skipped_hour_are_asked_for_and_never_shifted(messy):
    read = messy("08", "ch2_march.csv", [AMPS], zone="America/Chicago")
    said = read.said(Severity.STOP)
    assert "lines 4-7: 02:00 to 02:45 on 2024-03-10 do not exist in America/Chicago" in said
    assert "Does this logger keep standard time all year (UTC-06:00)?" in said
    assert not read.roles()
    make_finding = messy("08", "ch2_march.csv", [AMPS], zone="America/Chicago", source={"time_zone": "-06:00"})
    assert utc(make_finding.samples("motor_amps")) == [
        "2024-03-10T07:30:00", "2024-03-10T07:45:00", "2024-03-10T08:00:00", "2024-03-10T08:15:00",
        "2024-03-10T08:30:00", "2024-03-10T08:45:00", "2024-03-10T09:00:00",
    ]  # fmt: skip


def test_offsets_in_the_stamps_are_used_row_by_row(messy):
    read = messy("09", "ch2_iso.csv", [("discharge_temperature", "CH2 DischT C")], zone="Europe/Berlin")
    assert utc(read.samples("discharge_temperature")) == [
        "2024-10-27T00:30:00", "2024-10-27T00:45:00", "2024-10-27T01:00:00", "2024-10-27T01:15:00",
        "2024-10-27T02:00:00", "2024-10-27T02:30:00",
    ]  # fmt: skip
    assert not list(read.problems)


def test_sheet_day_numbers_are_rounded_and_their_system_follows_from_the_failure_or_is_asked_for(messy):
    wanted = [f"2024-06-15T08:3{minute}:00" for minute in range(4)]
    asked = messy("11", "ch2_serial.csv", [AMPS])
    assert "1900 or of the 1904 system (2024-06-15 or 2028-06-16)" in asked.said(Severity.STOP)
    assert "time_number" in asked.said(Severity.STOP)
    fixed = messy("11", "ch2_serial.csv", [AMPS], case={"failure": datetime.datetime(2024, 6, 15, 8, 33)})
    assert utc(fixed.samples("motor_amps")) == wanted
    assert (fixed.samples("motor_amps").t % 60_000_000_000 == 0).all()
    assert "1904 system would give 2028-06-16" in fixed.notes()
    told = messy("11", "ch2_serial.csv", [AMPS], source={"time_number": "days-1904"})
    assert utc(told.samples("motor_amps"))[0] == "2028-06-16T08:30:00"


def test_epoch_stamps_change_their_unit_within_the_column(messy):
    read = messy("14", "ch2_epoch.csv", [LOAD])
    switch = read.switch("load_solenoid")
    assert utc(switch) == [f"2024-06-15T08:3{minute}:00" for minute in range(4)]
    assert switch.state.tolist() == [1, 0, 1, 0]
    said = read.detected("time number")
    assert "Unix seconds; 10 digits on lines 2-3" in said
    assert "Unix milliseconds; 13 digits on lines 4-5" in said


def test_month_names_of_a_language_and_one_that_is_in_none(messy):
    read = messy("15", "ch2_de.csv", [("motor_amps", "CH2 Strom A")])
    assert utc(read.samples("motor_amps")) == [
        "2024-02-29T08:00:00", "2024-03-15T08:00:00", "2024-03-15T09:00:00", "2024-04-30T08:00:00",
        "2024-05-31T08:00:00", "2024-10-31T08:00:00", "2024-12-24T08:00:00",
    ]  # fmt: skip
    assert read.one.accounting.set_aside == {"time not readable": 1}
    assert read.one.accounting.listed[0].row == 9
    assert "ch2_de.csv line 9 column 'Zeit': month name 'Foo' not known" in read.said(Severity.NOTE)
    assert "Mär/Mrz" in read.said(Severity.NOTE)


def test_a_newest_first_log_is_reversed_not_sorted(messy):
    read = messy("19", "ch2_newest_first.csv", [AMPS, LOAD])
    switch = read.switch("load_solenoid")
    assert switch.state.tolist() == [1, 0, 1, 0]
    assert utc(switch) == ["2024-06-15T08:29:40"] * 2 + ["2024-06-15T08:30:05"] * 2
    assert switch.row.tolist() == [5, 4, 3, 2]
    assert read.one.accounting.rows_kept == 5
    assert read.one.accounting.set_aside == {}
    pulses = [(on, off) for on, off in zip(switch.t, switch.t[1:], strict=False) if off - on < 1_000_000_000]
    assert len(pulses) == 2
    assert switch.origin.recorded is Recorded.CHANGE
    assert "newest first" in read.notes()
