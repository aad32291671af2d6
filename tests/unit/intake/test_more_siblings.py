"""More siblings of the messy exports: other zones, languages, places of the damage; all invented for these tests."""

from __future__ import annotations

import datetime
import gzip
import json

import pytest
from intake_reading import utc, values

from forensics.errors import Severity

AMPS = [("motor_amps", "Amps", {"unit": "A"})]
OIL = ("oil_pressure_difference", "Oil", {"unit": "kPa"})
BOTH = [*AMPS, OIL]
LOAD = ("load_solenoid", "Load")
DATA = "".join(f"2024-06-15 08:3{m},{118 + m},{400 + m}\n" for m in range(6))


def rows(*lines: str, head: str = "Time,Amps") -> str:
    return "\n".join((head, *lines)) + "\n"


def numbered(stamps: list[str]) -> list[str]:
    return [f"{stamp},{i}" for i, stamp in enumerate(stamps)]


# dates


def test_the_question_about_an_order_names_the_first_stamp_that_is_open(text):
    said = text(rows("2024-06-04 10:00,1", "05/06/2024 10:00,2"), AMPS).said(Severity.STOP)
    assert "1 of 2 stamps fit day/month/year and month/day/year. Line 3 '05/06/2024 10:00' is 5 June or 6 May" in said
    assert "spans 1 day (4 to 5 June 2024)" in said


def test_stamps_between_the_parts_of_two_orders_are_said_to_fit_both(text):
    lines = ("13/06/2024 10:00,1", "06/07/2024 10:00,2", "06/08/2024 10:00,3", "06/15/2024 10:00,4")
    said = text(rows(*lines), AMPS).said(Severity.STOP)
    assert "Supply lines 2-4 and lines 5-5" in said
    assert "Lines 3-4 fit both orders: the second part may begin with any of them" in said


def test_a_stamp_decides_the_order_beyond_the_first_rows_looked_at(text):
    stamps = [
        f"{day:02d}.{month:02d}.2024 {hour:02d}:00" for month in (5, 6) for day in range(1, 13) for hour in range(24)
    ]
    read = text("Time;Amps\n" + "".join(f"{stamp};1\n" for stamp in [*stamps, "13.06.2024 00:00"]), AMPS)
    assert "decided by line 578 (13.06.2024)" in read.detected("date order")
    assert utc(read.samples("motor_amps"))[24] == "2024-05-02T00:00:00"


# clocks


@pytest.mark.parametrize(
    ("zone", "stamps", "first"),
    [
        (
            "Australia/Sydney",
            ["2024-04-07 02:15", "2024-04-07 02:45", "2024-04-07 02:15", "2024-04-07 02:45", "2024-04-07 03:15"],
            "2024-04-06T15:15:00",
        ),
        (
            "Australia/Lord_Howe",
            ["2024-04-07 01:15", "2024-04-07 01:45", "2024-04-07 01:45", "2024-04-07 02:15"],
            "2024-04-06T14:15:00",
        ),
    ],
)
def test_a_repeated_hour_or_half_hour_of_the_southern_autumn(text, zone, stamps, first):
    if zone == "Australia/Lord_Howe":
        stamps = [f"2024-04-07 {clock}" for clock in ("01:15", "01:30", "01:45", "01:30", "01:45", "02:00")]
    amps = text(rows(*numbered(stamps)), AMPS, zone=zone).samples("motor_amps")
    steps = {int(step) for step in (amps.t[1:] - amps.t[:-1]) // 60_000_000_000}
    assert utc(amps)[0] == first
    assert steps == {15} if zone == "Australia/Lord_Howe" else steps == {30}


def test_one_row_an_hour_over_the_autumns_of_two_years(text):
    stamps = [f"2023-10-29 0{hour}:00" for hour in (0, 1, 2, 2, 3, 4)]
    stamps += [f"2024-10-27 0{hour}:00" for hour in (0, 1, 2, 2, 3, 4)]
    read = text(rows(*numbered(stamps)), AMPS, zone="Europe/Berlin")
    assert read.one.accounting.rows_kept == 12
    assert utc(read.samples("motor_amps"))[8:10] == ["2024-10-27T00:00:00", "2024-10-27T01:00:00"]


def test_a_skipped_half_hour_moves_the_summer_by_half_an_hour(text):
    said = text(rows("2024-10-06 01:45,1", "2024-10-06 02:15,2"), AMPS, zone="Australia/Lord_Howe").said(Severity.STOP)
    assert "line 3: 02:15 on 2024-10-06 does not exist in Australia/Lord_Howe" in said
    assert "in summer moves by 30 min against the site clock" in said
    assert 'time_zone = "+10:30"' in said


@pytest.mark.parametrize(
    ("head", "offsets"),
    [
        ("Time,UTC Offset,Amps", ("+02:00", "+02:00", "+01:00")),
        ("Time,Zeitzone,Amps", ("CEST", "MESZ", "CET")),
        ("Time,X,Amps", ("+02:00", "+02:00", "+01:00")),
        ("Time,TZ,Amps", ("UTC+2", "+0200", "+1")),
    ],
)
def test_an_offset_in_a_column_of_its_own_belongs_to_the_stamp(text, head, offsets):
    times = ("02:30", "02:45", "02:15")
    lines = [f"2024-10-27 {time},{offset},{i}" for i, (time, offset) in enumerate(zip(times, offsets, strict=True))]
    read = text(rows(*lines, head=head), AMPS, zone="Europe/Berlin")
    assert utc(read.samples("motor_amps")) == ["2024-10-27T00:30:00", "2024-10-27T00:45:00", "2024-10-27T01:15:00"]


def test_a_column_of_other_words_is_no_offset(text):
    read = text(rows("2024-10-26 02:30,Roof,1", "2024-10-26 02:45,HALL,2", head="Time,Zone,Amps"), AMPS)
    assert utc(read.samples("motor_amps")) == ["2024-10-26T02:30:00", "2024-10-26T02:45:00"]


def test_a_stamp_with_its_offset_in_words_and_brackets(text):
    lines = ("Sun Oct 27 2024 02:30:00 GMT+0200 (CEST),1", "Sun Oct 27 2024 02:15:00 GMT+0100 (CET),2")
    read = text(rows(*lines), AMPS, zone="Europe/Berlin")
    assert utc(read.samples("motor_amps")) == ["2024-10-27T00:30:00", "2024-10-27T01:15:00"]


# numbers that stand for times


@pytest.mark.parametrize(
    "stamps",
    [
        ("45458.3541666667", "2024-06-15 08:31:00", "45458.3555555556"),
        ("15/06/2024 08:30:00", "15/06/2024 08:31:00", "45458.3555555556"),
        ("1718440200", "1718440260000", "2024-06-15 08:32:00"),
    ],
)
def test_numbers_among_dates_of_one_column_are_of_their_year(text, stamps):
    read = text(rows(*numbered(list(stamps))), AMPS)
    assert utc(read.samples("motor_amps")) == [f"2024-06-15T08:3{minute}:00" for minute in range(3)]
    assert read.one.accounting.rows_read == 3


@pytest.mark.parametrize("stamp", ["17184402000", "1.7184402E+12"])
def test_a_number_that_is_no_time_is_asked_for_as_a_number(text, stamp):
    said = text(rows(f"{stamp},1", f"{stamp},2", head="ts,Amps"), AMPS).said(Severity.POINT)
    assert "column 'ts'" in said
    assert f"the first is '{stamp},1'" in said
    assert "give time_number" in said


def test_full_width_digits_are_digits_of_a_value(text):
    read = text(rows("２０２４-06-15 08:30,1", "2024-06-15 08:31,１２", "2024-06-15 08:32,12"), AMPS)
    assert read.one.accounting.set_aside == {"time not readable": 1}
    assert values(read.samples("motor_amps").usable) == [12.0, 12.0]


# order of rows


def test_a_state_that_comes_back_within_a_second_is_no_duplicate_in_a_wide_log(text):
    lines = ("2024-06-15 08:30:05,Off", "2024-06-15 08:30:05,On", "2024-06-15 08:30:05,Off", "2024-06-15 08:30:09,Off")
    read = text(rows(*lines, head="Time,Load"), [(*LOAD, {"recorded": "change"})])
    assert read.switch("load_solenoid").state.tolist() == [0, 1, 0, 0]


@pytest.mark.parametrize("head", ["Time,Amps", "Time,Tag,Value"])
def test_parts_of_an_export_that_overlap_give_each_row_once(text, head):
    part = [
        f"2024-06-15 08:3{m}:00,{'' if head == 'Time,Amps' else 'Amps,'}{value}"
        for m, value in ((0, 1), (0, 2), (1, 3))
    ]
    read = text(rows(*part, *part, head=head), AMPS)
    assert values(read.samples("motor_amps")) == [1.0, 2.0, 3.0]
    assert read.one.accounting.set_aside == {"duplicate": 3}


# numbers


@pytest.mark.parametrize(
    ("head", "lines"),
    [
        ("Zeit;Amps;Amps Qualität", ("08:30;0,512;gut", "08:31;0,0;schlecht", "08:32;1,234;gut")),
        ("Zeit;Punkt;Wert;Qualität", ("08:30;Amps;0,512;gut", "08:31;Amps;0,0;schlecht", "08:32;Amps;1,234;gut")),
    ],
)
def test_a_quality_column_keeps_the_decimal_mark_of_the_file(text, head, lines):
    read = text(rows(*(f"15.06.2024 {line}" for line in lines), head=head), AMPS)
    assert values(read.samples("motor_amps").usable) == [0.512, 1.234]
    assert read.one.accounting.cells_missing == {"quality: schlecht": 1}


def test_an_odd_cell_in_a_later_block_of_a_long_log_leaves_its_decimal_commas_alone(text):
    start, count = datetime.datetime(2024, 6, 15), 300_000
    lines = [
        f"{start + datetime.timedelta(seconds=i // 2):%d.%m.%Y %H:%M:%S};{'Amps' if i % 2 else 'Oil'};"
        f"{'---' if i == count - 3 else f'{i % 7},{i * 37 % 1000:03d}'}"
        for i in range(count)
    ]
    read = text("Zeit;Punkt;Wert\n" + "\n".join(lines) + "\n", BOTH)
    assert float(read.samples("motor_amps").usable.v.max()) < 7
    assert float(read.samples("oil_pressure_difference").usable.v.max()) < 7
    assert read.one.accounting.cells_missing == {"---": 1}
    assert not list(read.problems)


def test_an_open_mark_in_a_long_log_is_asked_for_with_its_column(text):
    read = text(rows('2024-06-15 08:30,Oil,"1,234"', '2024-06-15 08:31,Oil,"1,240"', head="Time,Tag,Value"), [OIL])
    assert "line 2 column 'Value': '1,234' (line 2) may be 1234 or 1.234" in read.said(Severity.POINT)


@pytest.mark.parametrize(("unit", "kpa"), [("bar(g)", 1351.325), ("[kPa(a)]", 12.5), ("MPa(G)", 12601.325)])
def test_units_rows_and_headers_whose_unit_has_brackets_of_its_own(text, unit, kpa):
    point = [("discharge_pressure", "DischP")]
    read = text(rows(f",{unit}", "2024-06-15 08:30,12.5", head="Time,DischP"), point, machine={"altitude_m": 0.0})
    assert values(read.samples("discharge_pressure")) == [pytest.approx(kpa)]
    header = f"DischP {unit}"
    read = text(
        rows("2024-06-15 08:30,12.5", head=f"Time,{header}"),
        [("discharge_pressure", header)],
        machine={"altitude_m": 0.0},
    )
    assert values(read.samples("discharge_pressure")) == [pytest.approx(kpa)]


def test_a_unit_of_a_difference_is_one_and_no_pressure(text):
    lines = rows(",psid", "2024-06-15 08:30,10", head="Time,Oil")
    assert values(text(lines, [("oil_pressure_difference", "Oil")]).samples("oil_pressure_difference")) == [68.947573]
    assert "gauge or absolute?" in text(lines, [("oil_pressure", "Oil")]).said(Severity.POINT)


# states


def test_a_column_of_states_beside_the_values_may_say_that_there_was_no_reading(text):
    lines = ("08:30,Load,On,OK", "08:31,Load,Off,Comm Lost", "08:32,Load,On,OK", "08:33,Load,Off,Fault")
    read = text(rows(*(f"2024-06-15 {line}" for line in lines), head="Time,Tag,Value,Status"), [LOAD])
    assert read.switch("load_solenoid").state.tolist() == [1, -1, 1, 0]
    assert read.one.accounting.cells_missing == {"quality: Comm Lost": 1}


def test_states_in_braces_behind_a_cell_say_whether_it_is_a_reading(text):
    lines = ("08:30,118.0 A {ok},On {ok}", "08:31,0.0 A {fault},Off {stale}", "08:32,117.0 A {ok},On {ok}")
    read = text(rows(*(f"2024-06-15 {line}" for line in lines), head="Time,Amps,Load"), [*AMPS, LOAD])
    assert values(read.samples("motor_amps").usable) == [118.0, 117.0]
    assert read.switch("load_solenoid").state.tolist() == [1, -1, 1]
    unknown = text(rows("2024-06-15 08:30,118 {manual}", "2024-06-15 08:31,117 {ok}"), AMPS)
    assert unknown.one.accounting.cells_missing == {"not a number: 118 {manual}": 1}


def test_communication_that_is_not_known_leaves_the_points_unknown(text):
    lines = ("10:00:00;Load;Ein", "10:07:30;Load;Aus", "10:12:00;Komm;gestört", "10:41:06;Komm;ok", "10:41:06;Load;Ein")
    hold = {"recorded": "change", "hold": "15min"}
    points = [(*LOAD, hold), ("communication", "Komm", {"recorded": "change"})]
    read = text(rows(*(f"15.06.2024 {line}" for line in lines), head="Zeit;Punkt;Wert"), points)
    assert read.switch("load_solenoid").state.tolist() == [1, 0, -1, 1]


# heads and ends


@pytest.mark.parametrize(
    ("footer", "count"),
    [
        ("# end of file, 9 rows exported", 9),
        ("Exported 1,000 records", 1000),
        ("Total records,,10", 10),
        ("Count,10,10", 10),
        ("(12 row(s) affected)", 12),
    ],
)
def test_counts_in_footers_of_other_forms(text, footer, count):
    read = text(f"Time,Amps,Oil\n{DATA}{footer}\n", BOTH)
    assert f"the footer says {count} records, 6 were read" in read.said(Severity.NOTE)
    assert read.one.accounting.set_aside == {"footer": 1}


@pytest.mark.parametrize(
    ("note", "said"),
    [
        ("Range: 2024-06-15 08:30 - 2024-06-16 07:00", "the range ends 2024-06-16 07:00, the last stamp is 2024-06-15"),
        ("From 2024-06-15 8:30 AM to 2024-06-15 1:00 PM", "the range ends 2024-06-15 1:00 PM, the last stamp is"),
        ("Number of records: 1,000", "the notes say 1000 records, 6 were read"),
    ],
)
def test_notes_above_the_table_that_promise_more_than_it_holds(text, note, said):
    assert said in text(f"Report\n{note}\nTime,Amps,Oil\n{DATA}", BOTH).said(Severity.NOTE)


@pytest.mark.parametrize(
    "note", ["Range: 2024-06-14 20:00 - 2024-06-15 08:35", "Interval: 60 s, 5 samples averaged", "Rows: 6"]
)
def test_notes_above_the_table_that_it_keeps(text, note):
    assert not text(f"Report\n{note}\nTime,Amps,Oil\n{DATA}", BOTH).said(Severity.NOTE)


def test_more_notes_than_records_with_more_fields_than_the_table(text):
    notes = "".join(f"Note {i}, a, b, c, d, e\n" for i in range(30))
    read = text(f"{notes}Time,Amps,Oil\n{DATA}", BOTH)
    assert values(read.samples("motor_amps")) == [118.0 + m for m in range(6)]
    assert read.samples("motor_amps").row[0] == 32


@pytest.mark.parametrize("line", ["2024-06-15 08:30,118,5,410", ",2024-06-15 08:30,118,410"])
def test_rows_of_another_width_than_the_header_are_asked_for_with_both_numbers(text, line):
    read = text(rows(line, line.replace("08:30", "08:31"), head="Time,Amps,Oil"), [OIL])
    assert f"it has 3 fields, its rows have 4 (2 rows; line 2 is '{line}')" in read.said(Severity.POINT)
    assert read.one.accounting.set_aside == {"wrong number of fields": 2}


def test_nul_bytes_behind_text_of_two_bytes_a_character(text):
    read = text(("Time,Amps,Oil\n" + DATA).encode("utf-16-le") + b"\0" * 4096, BOTH)
    assert read.one.accounting.rows_kept == 6
    assert read.one.accounting.set_aside == {"NUL bytes": 1}
    assert "UTF-16 LE" in read.detected("encoding")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\xef\xbb\xbf", "the file is empty (3 bytes, no text in them)"),
        (gzip.compress(b"", mtime=0), "no text in them"),
        (b";;;\r\n;;;\r\n", "only blank lines (2)"),
        (b"Messpunkt;Strom\n", "header at line 1 (Messpunkt, Strom), no data rows"),
        (b"Time,Amps\n,A\n\n", "header at line 1 (Time, Amps), no data rows"),
        (b"Time,Amps\nNo data found\n", "no data rows; line 2 says 'No data found'"),
        (json.dumps([{"Time": "2024-06-15 08:30", "Amps": 1}]).encode(), "the file holds JSON, not a table"),
    ],
)
def test_exports_without_a_record_never_stop_the_case(text, content, said):
    read = text(content, AMPS, name="log.csv.gz" if content[:2] == b"\x1f\x8b" else "log.csv")
    assert said in read.said(Severity.POINT)
    assert not read.problems.of(Severity.STOP)


def test_a_file_cut_at_the_row_limit_that_begins_after_the_failure_says_so(text):
    last = datetime.datetime(2024, 6, 30)
    stamps = (last - datetime.timedelta(seconds=10 * i) for i in range(65_535))
    lines = "Time,Amps\n" + "".join(f"{stamp:%Y-%m-%d %H:%M:%S},1\n" for stamp in stamps)
    read = text(lines, AMPS, case={"failure": datetime.datetime(2024, 6, 15, 8, 35)})
    assert "2024-06-15T08:35:00Z is before the first record" in read.said(Severity.NOTE)


# names


def test_names_that_differ_in_case_only_can_be_told_apart_by_their_place(text):
    lines = rows("2024-06-15 08:30,1,2", "2024-06-15 08:31,3,4", head="Time,Comp Amps,comp amps ")
    asked = text(lines, [("motor_amps", "Comp Amps", {"unit": "A"})]).said(Severity.POINT)
    assert "Give column = 'Comp Amps [col 2]' or 'comp amps [col 3]'" in asked
    read = text(lines, [("motor_amps", "comp amps [col 3]", {"unit": "A"})])
    assert values(read.samples("motor_amps")) == [2.0, 4.0]


def test_one_name_for_two_machines_in_a_long_log_is_asked_for(text):
    lines = [f"2024-06-15 08:3{m},{device},Amps,{v}" for m in range(3) for device, v in (("C1", 118), ("C2", 96))]
    read = text(rows(*lines, head="Time,Device,Tag,Value"), AMPS)
    assert "different 'Device' (C1, C2) under one name and one time. Which machine is each?" in read.said(
        Severity.POINT
    )
    assert not read.roles()
    alone = [line.replace("C2,Amps", "C2,Oil") for line in lines]
    assert values(text(rows(*alone, head="Time,Device,Tag,Value"), BOTH).samples("motor_amps")) == [118.0] * 3


def test_a_column_under_no_group_of_a_text_export_is_found_by_its_own_name(text):
    lines = ",Comp A,,Comp B,,\nTime,Amps,Oil kPa,Amps,Oil kPa,OAT C\n2024-06-15 08:30,118,410,96,402,31.0\n"
    points = [("amps_a", "Comp B / Amps", {"unit": "A"}), ("ambient_temperature", "OAT C")]
    read = text(lines, points)
    assert values(read.samples("ambient_temperature")) == [31.0]
    assert values(read.samples("amps_a")) == [96.0]


def test_names_of_a_long_log_that_differ_in_case_only_are_said_and_not_mixed(text):
    lines = [f"2024-06-15 08:3{m},{name},{m}" for m, name in enumerate(("AMPS", "Amps", "amps"))]
    read = text(rows(*lines, head="Time,Tag,Value"), AMPS)
    assert values(read.samples("motor_amps")) == [1.0]
    assert "rows named 'AMPS', 'amps' are not taken for it" in read.notes()


def test_numbers_for_no_reading_of_several_lengths_in_one_column(text):
    cells = ("410,5", "-999,9", "-9.999,0", "#NV", "9.999.999,0", "412,25")
    read = text(rows(*(f"15.06.2024 08:3{i};{cell}" for i, cell in enumerate(cells)), head="Zeit;Oil"), [OIL])
    assert values(read.samples("oil_pressure_difference").usable) == [410.5, 412.25]


def test_a_value_stuck_over_a_stop_that_only_a_status_shows(text):
    start = datetime.datetime(2024, 6, 15, 8)
    stamps = [start + datetime.timedelta(seconds=10 * i) for i in range(120)]
    lines = [f"{stamp},{'Running' if i < 60 else 'Stopped'},62.4" for i, stamp in enumerate(stamps)]
    read = text(rows(*lines, head="Time,Run,Oil"), [("run_status", "Run"), OIL])
    assert "while the machine stopped at 08:10Z: it is marked stuck" in read.notes()
