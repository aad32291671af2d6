"""Kinds of dirt that have no file of their own: stamps, quotes, headers, quality columns, packed files."""

from __future__ import annotations

import gzip
import io
import zipfile

import pytest
from intake_reading import utc, values

from forensics.errors import Severity
from forensics.model.points import ON, UNKNOWN
from forensics.model.vocabulary import Quality

AMPS = [("motor_amps", "Amps", {"unit": "A"})]


def rows(*pairs: str) -> str:
    return "Time,Amps\n" + "".join(f"{pair}\n" for pair in pairs)


def test_noon_and_midnight(text):
    read = text(rows("6/14/2024 11:59:58 AM,1", "6/14/2024 12:00:00 PM,2", "6/15/2024 12:05:00 AM,3"), AMPS)
    assert utc(read.samples("motor_amps")) == ["2024-06-14T11:59:58", "2024-06-14T12:00:00", "2024-06-15T00:05:00"]


def test_the_end_of_a_day_written_as_24_00(text):
    read = text(rows("2024-06-15 23:59:00,1", "2024-06-15 24:00:00,2"), AMPS)
    assert utc(read.samples("motor_amps"))[1] == "2024-06-16T00:00:00"


def test_precision_that_changes_within_a_column(text):
    read = text(rows("2024-06-15 08:30:00.250,1", "2024-06-15 08:30:01,2", "2024-06-15 08:31,3"), AMPS)
    amps = read.samples("motor_amps")
    assert (amps.t - amps.t[0]).tolist() == [0, 750_000_000, 59_750_000_000]
    assert amps.origin.resolution_s == 0.001


def test_two_digit_years_that_may_stand_first_are_asked_for(text):
    lines = rows("24-06-29 08:30,1", "24-06-30 08:30,2")
    assert "date_order=YMD, DMY or MDY" in text(lines, AMPS).said(Severity.STOP)
    assert utc(text(lines, AMPS, source={"date_order": "YMD"}).samples("motor_amps"))[0] == "2024-06-29T08:30:00"


def test_zone_letters_tell_the_pass_of_a_repeated_hour(text):
    lines = rows("2024-11-03 01:30:00 CDT,1", "2024-11-03 01:30:00 CST,2")
    read = text(lines, AMPS, zone="America/Chicago")
    assert utc(read.samples("motor_amps")) == ["2024-11-03T06:30:00", "2024-11-03T07:30:00"]
    other = text(rows("2024-11-03 01:30:00 IST,1"), AMPS, zone="America/Chicago")
    assert "'IST' (1 stamps), which America/Chicago does not use" in other.said(Severity.STOP)


def test_a_repeated_hour_that_nothing_settles_is_set_aside_and_asked_for(text):
    lines = "Time,Point,Value\n2024-10-27 01:30:00,Load,On\n2024-10-27 02:30:00,Load,Off\n2024-10-27 03:30:00,Load,On\n"
    read = text(lines, [("load_solenoid", "Load")], zone="Europe/Berlin")
    assert read.one.accounting.set_aside == {"repeated hour: pass not known": 1}
    assert "Europe/Berlin" in read.said(Severity.POINT)
    assert not read.problems.of(Severity.STOP)


def test_equal_duplicates_keep_the_first_and_different_ones_are_marked(text):
    lines = rows("2024-06-15 08:30,1", "2024-06-15 08:30,1", "2024-06-15 08:31,2", "2024-06-15 08:31,3")
    read = text(lines, AMPS)
    amps = read.samples("motor_amps")
    assert values(amps) == [1.0, 2.0, 3.0]
    assert amps.q.tolist() == [0, int(Quality.DUPLICATE_DIFFERS), int(Quality.DUPLICATE_DIFFERS)]
    assert [(row.row, row.reason) for row in read.one.accounting.listed] == [(3, "duplicate")]


def test_a_pasted_block_is_set_aside_row_by_row(text):
    first = [f"2024-06-15 08:{m:02d}:00,{m}" for m in range(20)]
    read = text(rows(*first, *first[5:15], *[f"2024-06-15 08:{m:02d}:00,{m}" for m in range(20, 25)]), AMPS)
    assert values(read.samples("motor_amps")) == [float(m) for m in range(25)]
    assert [row.row for row in read.one.accounting.listed] == list(range(22, 32))


def test_a_clock_that_was_set_back_keeps_both_segments_marked(text):
    minutes = [*range(20), *range(10, 30)]
    read = text(rows(*[f"2024-06-15 08:{m:02d}:00,{i}" for i, m in enumerate(minutes)]), AMPS)
    amps = read.samples("motor_amps")
    assert len(amps) == 40
    assert int(((amps.q & int(Quality.CLOCK_SUSPECT)) != 0).sum()) == 20
    assert "line 22: the clock was set back by 9 min" in read.notes()


def test_units_written_in_the_cells(text):
    lines = "Time,OilT\n2024-06-15 08:30,180.5 °F\n2024-06-15 08:31,212 °F\n"
    assert values(text(lines, [("oil_temperature", "OilT")]).samples("oil_temperature")) == [82.5, 100.0]
    mixed = "Time,Amps\n2024-06-15 08:30,118 A\n2024-06-15 08:31,0.5 kA\n"
    assert values(text(mixed, [("motor_amps", "Amps")]).samples("motor_amps")) == [118.0, 500.0]


def test_percent_of_rated_amps(text):
    lines = "Time,Load %RLA\n2024-06-15 08:30,50\n"
    points = [("motor_amps", "Load %RLA")]
    assert values(text(lines, points, machine={"rated_load_amps": 120.0}).samples("motor_amps")) == [60.0]
    assert "Give machine.rated_load_amps" in text(lines, points).said(Severity.POINT)


def test_a_header_that_changes_below_is_mapped_by_name(text):
    lines = (
        "Time,Amps,Oil\n2024-06-15 08:30,1,400\nTime,Oil,Amps\n2024-06-15 08:31,401,2\nTime,Amps\n2024-06-15 08:32,3\n"
    )
    read = text(lines, [*AMPS, ("oil_pressure_difference", "Oil", {"unit": "kPa"})])
    assert values(read.samples("motor_amps")) == [1.0, 2.0, 3.0]
    assert values(read.samples("oil_pressure_difference").usable) == [400.0, 401.0]
    assert read.one.accounting.set_aside == {"repeated header": 2}


def test_a_units_row_and_a_repeated_header_do_not_hide_the_rows_between(text):
    lines = "Note,2024-06-15 07:00\nTime,Amps\n,A\n2024-06-15 08:30,1\nTime,Amps\n,A\n"
    lines += "2024-06-15 08:31,2\n2024-06-15 08:32,3\n"
    read = text(lines, [("motor_amps", "Amps")])
    assert values(read.samples("motor_amps")) == [1.0, 2.0, 3.0]
    assert read.one.accounting.set_aside == {"repeated header": 1, "repeated units row": 1}


def test_a_quote_that_never_closes_swallows_no_record(text):
    lines = 'Time,Amps,Note\n2024-06-15 08:30,1,"fine"\n2024-06-15 08:31,2,"never closed\n2024-06-15 08:32,3,ok\n'
    lines += '2024-06-15 08:33,4,"two\nlines"\n2024-06-15 08:34,5,x\n'
    read = text(lines, AMPS)
    assert values(read.samples("motor_amps")) == [1.0, 3.0, 4.0, 5.0]
    assert read.samples("motor_amps").row.tolist() == [2, 4, 5, 7]
    assert [(row.row, row.reason) for row in read.one.accounting.listed] == [(3, "unclosed quote")]


def test_two_header_rows_name_columns_by_group(text):
    lines = "Time,Comp A,,Comp B,\n,Amps,OilP kPa,Amps,OilP kPa\n2024-06-15 08:30,118,410,96,402\n"
    points = [("motor_amps", "Comp A / Amps", {"unit": "A"}), ("oil_pressure_difference", "Comp B / OilP kPa")]
    read = text(lines, points)
    assert values(read.samples("motor_amps")) == [118.0]
    assert values(read.samples("oil_pressure_difference")) == [402.0]


@pytest.mark.parametrize(
    "lines",
    [
        "Time,Amps,Amps Quality\n2024-06-15 08:30:00,118,Good\n2024-06-15 08:30:10,0,Bad\n",
        "Timestamp,Tag,Value,Quality\n2024-06-15 08:30:00,Amps,118,Good\n2024-06-15 08:30:10,Amps,0,Bad\n",
    ],
)
def test_a_quality_column_makes_a_bad_cell_missing(text, lines):
    read = text(lines, AMPS)
    assert values(read.samples("motor_amps").usable) == [118.0]
    assert read.one.accounting.cells_missing == {"quality: Bad": 1}


def test_a_bad_quality_makes_a_state_unknown(text):
    lines = "Time,Load,Load Quality\n2024-06-15 08:30:00,On,Good\n2024-06-15 08:30:10,Off,Bad\n"
    assert text(lines, [("load_solenoid", "Load")]).switch("load_solenoid").state.tolist() == [ON, UNKNOWN]


def test_marks_that_show_only_far_below_the_head_are_asked_for(text):
    head = [f"2024-06-{1 + i // 24:02d} {i % 24:02d}:00,{i}" for i in range(500)]
    tail = [f"2024-06-{22 + i // 24:02d} {i % 24:02d}:00,1.{234 + i}" for i in range(24)]
    read = text(rows(*head, *tail), AMPS)
    assert "'1.234' (line 502) may be 1234 or 1.234" in read.said(Severity.POINT)
    make_finding = text(rows(*head, *tail), AMPS, source={"thousands": "."})
    assert values(make_finding.samples("motor_amps"))[-1] == 1257.0


@pytest.mark.parametrize(
    ("lines", "wanted"),
    [
        ("Zeit;Amps\n15.06.2024 08:30;1 118,5\n15.06.2024 08:31;119,5\n", [1118.5, 119.5]),
        ("Zeit;Amps\n15.06.2024 08:30;1'118.5\n15.06.2024 08:31;119.5\n", [1118.5, 119.5]),
        ("Horodatage;Amps\n15 juin 2024 08:30:00;1,5\n3 août 2024 08:30:00;12,5\n", [1.5, 12.5]),
        ("Time|Amps\n2024-06-15 08:30|1,5\n2024-06-15 08:31|2,5\n", [1.5, 2.5]),
    ],
)
def test_marks_and_delimiters_of_several_countries(text, lines, wanted):
    assert values(text(lines, AMPS).samples("motor_amps")) == wanted


def test_compressed_data_that_ends_early_is_read_as_far_as_it_goes(text):
    body = rows(*[f"2024-06-15 08:{m:02d}:{s:02d},{m * s}" for m in range(60) for s in range(60)]).encode()
    read = text(gzip.compress(body)[:9000], AMPS, name="log.csv.gz")
    assert 0 < read.one.accounting.rows_kept < 3600
    assert "the compressed data ends early" in read.said(Severity.NOTE)


def test_an_archive_that_unpacks_to_far_more_than_it_weighs_is_refused(text):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.csv", b"Time,Amps\n" + b"2024-06-15 08:30:00,1\n" * (5 << 20))
    read = text(buffer.getvalue(), AMPS, name="log.zip")
    assert "refused" in read.said(Severity.POINT)
    assert not read.roles()


def test_a_counter_that_rolls_over_goes_on_counting(text):
    lines = "Time,Starts\n" + "".join(f"2024-06-15 08:{i:02d},{(65530 + 2 * i) % 65536}\n" for i in range(10))
    read = text(lines, [("start_count", "Starts")])
    assert values(read.samples("start_count")) == [65530.0 + 2 * i for i in range(10)]
    assert "rolls over from 65534 to 0 on line 5" in read.notes()


def test_a_level_switch_is_read_as_a_level(text):
    lines = "Time,Level\n2024-06-15 08:30:00,On\n2024-06-15 08:30:10,Off\n2024-06-15 08:30:20,N/A\n"
    assert values(text(lines, [("oil_level", "Level")]).samples("oil_level").usable) == [100.0, 0.0]


def test_several_columns_of_stamps_are_asked_for(text):
    lines = "Local Time,UTC Time,Amps\n2024-06-15 08:30,2024-06-15 13:30,1\n2024-06-15 08:31,2024-06-15 13:31,2\n"
    assert "several columns hold stamps ('Local Time', 'UTC Time')" in text(lines, AMPS).said(Severity.STOP)


def test_a_file_that_is_not_there_stops_and_one_whose_hash_differs_too(text, tmp_path):
    from intake_reading import read_case

    assert "the file is not there" in read_case(tmp_path, ["none.csv"], AMPS).said(Severity.STOP)
    read = text(rows("2024-06-15 08:30,1"), AMPS, source={"sha256": "0" * 64})
    assert "the case file gives 000000" in read.said(Severity.STOP)


def test_a_file_that_changes_while_it_is_read_is_noticed(text):
    from forensics.intake import check_untouched

    read = text(rows("2024-06-15 08:30,1"), AMPS)
    assert check_untouched([read.one.exhibit]) == []
    with read.one.exhibit.file.open("a") as file:
        file.write("2024-06-15 08:31,2\n")
    assert "changed while it was read" in str(check_untouched([read.one.exhibit])[0])


def test_rows_set_aside_are_written_with_line_reason_and_text(text, tmp_path):
    from forensics.intake import write_set_aside

    read = text(rows("2024-06-15 08:30,1", "not a time,2", "2024-06-15 08:31,3"), AMPS)
    write_set_aside(read.readings, tmp_path / "set_aside.csv")
    assert (tmp_path / "set_aside.csv").read_text() == (
        'source,line,reason,text\nlog.csv,3,time not readable,"not a time,2"\n'
    )
