"""Siblings of the messy exports: other shapes of the same kinds of dirt, all invented for these tests."""

from __future__ import annotations

import datetime
import gzip
import io
import zipfile

import pytest
from intake_reading import utc, values

from forensics.errors import Severity

AMPS = [("motor_amps", "Amps", {"unit": "A"})]
OIL = ("oil_pressure_difference", "Oil", {"unit": "kPa"})
BOTH = [*AMPS, OIL]
DATA = "".join(f"2024-06-15 08:0{m},{100 + m},{400 + m}\n" for m in range(6))
FAILURE = {"failure": datetime.datetime(2024, 6, 15, 8, 33)}


def rows(*lines: str, head: str = "Time,Amps") -> str:
    return "\n".join((head, *lines)) + "\n"


def test_equal_day_and_month_need_no_order(text):
    read = text(rows("06/06/2024 08:30,1", "07/07/2024 08:31,2"), AMPS)
    assert utc(read.samples("motor_amps")) == ["2024-06-06T08:30:00", "2024-07-07T08:31:00"]
    assert not list(read.problems)


@pytest.mark.parametrize("mark", ["/", "."])
def test_a_short_year_that_may_stand_first_is_asked_for_where_the_last_number_counts_up(text, mark):
    lines = [f"24{mark}06{mark}{day} 08:30,1" for day in (15, 16, 17)]
    assert "may have the year first or last" in text(rows(*lines), AMPS).said(Severity.STOP)
    assert utc(text(rows(*lines), AMPS, source={"date_order": "YMD"}).samples("motor_amps"))[0].startswith("2024-06-15")
    usual = text(rows("13/06/24 06:00,1", "14/06/24 06:00,2"), AMPS)
    assert utc(usual.samples("motor_amps"))[1] == "2024-06-14T06:00:00"


def test_orders_that_alternate_are_not_to_be_cut_into_parts(text):
    said = text(rows("13/06/2024 10:00,1", "06/14/2024 10:00,2", "15/06/2024 10:00,3"), AMPS).said(Severity.STOP)
    assert "rows of both stand among each other" in said


def test_a_clock_of_twelve_hours_without_halves_of_the_day_is_asked_for(text):
    lines = [
        f"2024-06-15 {(hour - 1) % 12 + 1:02d}:{minute},{hour}" for hour in range(8, 20) for minute in ("00", "30")
    ]
    read = text(rows(*lines), AMPS)
    assert "clock of twelve hours without AM and PM" in read.said(Severity.STOP)
    assert not read.roles()
    full = [f"2024-06-15 {hour:02d}:00,{hour}" for hour in (*range(8, 20), *range(9, 12))]
    assert not text(rows(*full), AMPS).problems.of(Severity.STOP)


def test_one_row_an_hour_keeps_both_rows_of_the_hour_that_comes_twice(text):
    lines = [f"2024-10-27 0{hour}:00,{i}" for i, hour in enumerate((0, 1, 2, 2, 3, 4))]
    amps = text(rows(*lines), AMPS, zone="Europe/Berlin").samples("motor_amps")
    assert utc(amps) == ["2024-10-26T22:00:00", "2024-10-26T23:00:00", *[f"2024-10-27T0{h}:00:00" for h in range(4)]]
    assert values(amps) == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]


def test_stamps_that_step_back_without_overlap_are_said(text):
    read = text(rows("2024-06-15 08:00,1", "2024-06-15 08:01,2", "2000-01-01 00:00,3", "2000-01-01 00:01,4"), AMPS)
    assert "line 4: the stamps step back by" in read.notes()
    assert read.one.accounting.rows_kept == 4


@pytest.mark.parametrize("day", ["45458", "2024-06-15"])
@pytest.mark.parametrize("times", [("08:30:00", "08:31:00"), ("0.3541666667", "0.3548611111")])
def test_a_day_and_a_time_of_day_in_two_columns_are_one_stamp(text, day, times):
    lines = rows(*(f"{day},{time},1" for time in times), head="Date,Time,Amps")
    assert utc(text(lines, AMPS, case=FAILURE).samples("motor_amps")) == ["2024-06-15T08:30:00", "2024-06-15T08:31:00"]


@pytest.mark.parametrize(
    "stamp", ["2024-08-01T02:30:00\u221205:00", "2024-08-01t07:30:00z", "1er août 2024 07:30", "8/1/2024, 7:30:00 AM"]
)
def test_stamps_in_less_usual_signs(text, stamp):
    order = {"date_order": "MDY"} if stamp.startswith("8/") else {}
    read = text(rows(f"{stamp};1", f"{stamp.replace('30', '31', 1)};2", head="Time;Amps"), AMPS, source=order)
    assert utc(read.samples("motor_amps")) == ["2024-08-01T07:30:00", "2024-08-01T07:31:00"]


@pytest.mark.parametrize(
    "above",
    [
        "Trend Report,,\nDate,2024-06-16 07:00,\nTime,Amps,Oil\n",
        "Date,Time,Site\n2024-06-16,07:00,Plant A\nTime,Amps,Oil\n",
        "Time,Amps,Oil\n,motor current,oil difference\n",
        "Time,Amps,Oil\nyyyy-mm-dd hh:mm,A,kPa\n",
        "Time,Amps,Oil\nDATETIME,REAL,REAL\n",
    ],
)
def test_rows_about_the_header_are_not_the_header(text, above):
    assert values(text(above + DATA, BOTH).samples("oil_pressure_difference")) == [400.0 + m for m in range(6)]


def test_notes_padded_to_the_width_of_the_table_are_no_groups(text):
    lines = "Site:,Plant A,x,,\nTime,Amps,Oil,,\n" + DATA.replace("\n", ",,\n")
    assert text(lines, BOTH).roles() == {"motor_amps", "oil_pressure_difference"}


def test_two_extra_empty_fields_shift_nothing_and_one_that_is_filled_sets_its_row_aside(text):
    lines = "Time,Amps,Oil\n" + DATA.replace("\n", ",,\n").replace("405,,", "405,,x")
    read = text(lines, BOTH)
    assert values(read.samples("motor_amps")) == [100.0, 101.0, 102.0, 103.0, 104.0]
    assert read.one.accounting.set_aside == {"wrong number of fields": 1}


@pytest.mark.parametrize("header", ["\ufeffTime,Oil,Amps", "TIME,OIL,AMPS", "Timestamp,Oil,Amps"])
def test_a_header_that_comes_again_maps_by_name_whatever_its_marks(text, header):
    read = text(f"Time,Amps,Oil\n{DATA}{header}\n2024-06-15 09:00,777,111\n", BOTH)
    assert values(read.samples("motor_amps"))[-1] == 111.0
    assert values(read.samples("oil_pressure_difference"))[-1] == 777.0
    assert read.one.accounting.set_aside == {"repeated header": 1}


def test_columns_renamed_half_way_are_missing_from_there_on_and_named(text):
    read = text(f"Time,Amps,Oil\n{DATA}Time,Oil Pressure,Motor Current\n2024-06-15 09:00,777,111\n", BOTH)
    assert len(read.samples("motor_amps").usable) == 6
    assert read.one.accounting.cells_missing == {"no such column under the header of line 8": 2}
    assert "it has no 'Amps', 'Oil'" in read.notes()


def test_a_units_row_that_changes_below_is_asked_for(text):
    lines = f"Time,Amps,Oil\n,A,kPa\n{DATA}Time,Amps,Oil\n,A,bar\n2024-06-15 09:00,111,7.77\n"
    read = text(lines, [("motor_amps", "Amps"), ("oil_pressure_difference", "Oil")])
    assert "its unit is 'kPa' above and 'bar' from line 10 on" in read.said(Severity.POINT)
    assert read.roles() == {"motor_amps"}


@pytest.mark.parametrize(
    ("head", "cell"), [("Time,Oil (psi)\n", "45 kPa"), ("Time,Oil (bar)\n,kPa\n", "5"), ("Time,Oil psi\n,kPa\n", "5")]
)
def test_units_that_disagree_are_asked_for(text, head, cell):
    column = head.split("\n")[0].split(",")[1]
    read = text(f"{head}2024-06-15 08:30,{cell}\n2024-06-15 08:31,{cell}\n", [("oil_pressure_difference", column)])
    assert "two units are given" in read.said(Severity.POINT)
    assert not read.roles()


def test_units_that_change_within_a_point_of_a_long_log_are_asked_for(text):
    lines = "Time,Tag,Value,Unit\n2024-06-15 08:30,Oil,118,kPa\n2024-06-15 08:31,Oil,1.2,bar\n"
    assert "different units (bar, kPa)" in text(lines, [OIL]).said(Severity.POINT)


def test_two_decimal_marks_in_a_file_are_asked_for(text):
    read = text(
        rows("2024-06-15 08:30;118,5", "2024-06-15 08:31;119.5", "2024-06-15 08:32;1.234", head="Time;Amps"), AMPS
    )
    assert "point and comma as decimal marks" in read.said(Severity.POINT)
    clear = text(rows("2024-06-15 08:30;118,5", "2024-06-15 08:31;119.5", head="Time;Amps"), AMPS)
    assert "line 3 column 'Amps': '119.5' has another decimal mark" in clear.said(Severity.POINT)


def test_a_unit_behind_a_number_does_not_settle_its_mark(text):
    lines = rows('2024-06-15 08:30,"1,234 kPa"', '2024-06-15 08:31,"1,240 kPa"', head="Time,Oil")
    assert "may be 1234 or 1.234" in text(lines, [("oil_pressure_difference", "Oil")]).said(Severity.POINT)


def test_numbers_for_no_reading_are_found_among_larger_ones_and_where_there_is_nothing_else(text):
    cells = ("410", "412", "65535", "1e20", "-9999", "411")
    lines = rows(*(f"2024-06-15 08:3{i},{cell}" for i, cell in enumerate(cells)), head="Time,Oil")
    assert values(text(lines, [OIL]).samples("oil_pressure_difference").usable) == [410.0, 412.0, 411.0]
    alone = rows(*(f"2024-06-15 08:3{i},-9999" for i in range(3)), head="Time,Oil")
    assert text(alone, [OIL]).one.accounting.cells_missing == {"-9999 stands for no reading": 3}


def test_a_quality_of_0_is_bad_where_192_is_good(text):
    lines = "Time,Tag,Value,Quality\n2024-06-15 08:30,Amps,118,192\n2024-06-15 08:31,Amps,0,0\n"
    assert text(lines, AMPS).one.accounting.cells_missing == {"quality: 0": 1}


def test_a_point_behind_a_time_column_of_its_own_is_asked_for(text):
    lines = "Time,Amps,Time,Oil\n2024-06-15 08:00,1,2024-06-15 08:05,400\n2024-06-15 08:01,2,2024-06-15 08:06,401\n"
    read = text(lines, BOTH, source={"time_column": "Time [col 1]"})
    assert read.roles() == {"motor_amps"}
    assert "a time column of its own, 'Time [col 3]'" in read.said(Severity.POINT)


def test_lone_carriage_returns_end_lines_among_line_feeds(text):
    read = text("Time,Amps,Oil\n" + DATA.replace("\n", "\r", 3), BOTH)
    assert values(read.samples("motor_amps")) == [100.0 + m for m in range(6)]
    assert read.samples("motor_amps").row.tolist() == [2, 3, 4, 5, 6, 7]


def test_a_record_that_is_cut_with_its_data_is_set_aside(text):
    body = "Time,Amps\n" + "".join(f"2024-06-15 {i // 60:02d}:{i % 60:02d},{i * 7919 % 1000}\n" for i in range(1400))
    read = text(gzip.compress(body.encode())[:3000], AMPS, name="log.csv.gz")
    assert read.one.accounting.set_aside == {"record cut at the end of the data": 1}
    note = text(("Time,Amps,Oil\n" + DATA)[:-3], BOTH).notes()
    assert "its last field '4' is shorter than above" in note


def test_names_that_say_something_else_than_the_bytes(text):
    body = "Time\tAmps\tOil\n" + DATA.replace(",", "\t")
    for content in (body.encode(), body.encode("utf-16")):
        read = text(content, BOTH, name="log.xls")
        assert "holds text" in read.said(Severity.NOTE)
        assert read.one.accounting.rows_kept == 6
    page = text("<html><table><tr><td>Time</td></tr></table></html>", BOTH, name="log.xls")
    assert "a page of markup" in page.said(Severity.POINT)


def test_what_some_systems_store_beside_a_file_is_no_member(text):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("log.csv", "Time,Amps,Oil\n" + DATA)
        archive.writestr("__MACOSX/._log.csv", "x")
    assert text(buffer.getvalue(), BOTH, name="log.zip").one.accounting.rows_kept == 6


def test_nul_bytes_in_the_middle_say_where_they_stand_and_that_reading_goes_on(text):
    read = text(b"Time,Amps,Oil\n" + DATA.encode() + b"\0" * 500 + b"\n" + DATA.replace("08:", "09:").encode(), BOTH)
    assert "500 NUL bytes from byte 164 on line 8" in read.said(Severity.NOTE)
    assert "reading goes on below" in read.said(Severity.NOTE)
    assert read.one.accounting.rows_kept == 12


def test_names_in_brackets_are_a_header_and_no_units(text):
    lines = rows("2024-06-15 08:30,1", "2024-06-15 08:31,2", head="[Time],[Amps]")
    assert values(text(lines, [("motor_amps", "[Amps]", {"unit": "A"})]).samples("motor_amps")) == [1.0, 2.0]


def test_a_number_that_counts_the_rows_of_a_long_log_tells_no_machines_apart(text):
    lines = rows(*(f"2024-06-15 08:30:0{i // 2},{i},Amps,{i}" for i in range(6)), head="Time,Seq,Tag,Value")
    assert len(text(lines, AMPS).samples("motor_amps")) == 6
