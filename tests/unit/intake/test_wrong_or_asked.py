"""Exports of known kinds that were read wrong without a word: each is read right now, or asked for (invented data)."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

import openpyxl
import pytest
from intake_reading import read_case, utc, values

from forensics.errors import Severity
from forensics.intake.draft.draft import draft_case

AMPS = [("motor_amps", "Amps", {"unit": "A"})]
SLIDE = [("slide_position", "Slide", {"unit": "%"})]
STARTS = dt.datetime(2031, 3, 14, 10)


def steady(count: int, start: str = "2031-03-14T10:00", step_s: int = 60, first: int = 0) -> list[str]:
    at = dt.datetime.fromisoformat(start)
    return [f"{at + dt.timedelta(seconds=step_s * n)},{n + first}" for n in range(count)]


def export(rows: list[str], head: str = "Time,Amps") -> str:
    return "\n".join([head, *rows]) + "\n"


def accounted(read) -> bool:
    return all(
        r.accounting.rows_read == r.accounting.rows_kept + sum(r.accounting.set_aside.values()) for r in read.readings
    )


# dates written only when they change


@pytest.mark.parametrize(
    "lines",
    [
        ("Date,Time,Amps", "2031-03-14,23:58:00,0", ",23:59:00,1", ",00:00:00,2", "2031-03-15,00:01:00,3"),
        ("Time,Amps", "2031-03-14 23:58:00,0", "23:59:00,1", "00:00:00,2", "2031-03-15 00:01:00,3"),
        ("Date,Time,Amps", "2031-03-15,00:01:00,3", ",00:00:00,2", ",23:59:00,1", "2031-03-14,23:58:00,0"),
    ],
)
def test_a_midnight_before_the_next_date_is_written(text, lines):
    read = text("\n".join([*lines, ",".join([""] * lines[0].count(","))]) + "\n", AMPS)
    assert utc(read.samples("motor_amps"))[1:3] == ["2031-03-14T23:59:00", "2031-03-15T00:00:00"]
    assert values(read.samples("motor_amps")) == [0, 1, 2, 3]
    assert accounted(read)


def test_two_midnights_go_on_over_the_blocks_of_a_long_file(text):
    from forensics.intake.table import parser

    rows = [f",{h:02}:{m:02}:00,{h}.5" for _ in range(3) for h in range(24) for m in range(60)]
    rows[0] = "2031-03-14" + rows[0]
    content = "\n".join(["Date,Time,Amps", *rows]) + "\n"
    assert len(content) < parser.SMALL_BYTES, "one block"
    amps = text(content, AMPS).samples("motor_amps")
    assert utc(amps)[-1] == "2031-03-16T23:59:00"
    assert len(amps) == 3 * 1440


def test_rows_above_the_first_date_are_asked_for(text):
    read = text("Date,Time,Amps\n,23:58:00,0\n,23:59:00,1\n2031-03-15,00:00:00,2\n,00:01:00,3\n,00:02:00,4\n", AMPS)
    assert values(read.samples("motor_amps")) == [2, 3, 4]
    assert "2 rows are set aside: time not readable" in read.said(Severity.POINT)
    assert accounted(read)


# stamps


def test_times_without_marks_beside_days_without_marks(text):
    read = text("Date,Time,Amps\n20310314,93015,0\n20310314,100000,1\n", AMPS)
    assert utc(read.samples("motor_amps")) == ["2031-03-14T09:30:15", "2031-03-14T10:00:00"]


@pytest.mark.parametrize("stamp", ["2031-03-14 10:{0:02}-10:{1:02}", "14.03.2031 10:{0:02} - 14.03.2031 10:{1:02}"])
def test_the_end_of_an_interval_is_no_offset(text, stamp):
    read = text(export([f"{stamp.format(n, n + 15)},{n}" for n in (0, 15, 30)]), AMPS)
    assert not read.roles()
    assert "Each stamp is an interval" in read.said(Severity.POINT)


@pytest.mark.parametrize("offset", ["+05:45", "-03:30", "+14:00", "-12:00"])
def test_offsets_that_clocks_keep_are_offsets(text, offset):
    read = text(export([f"2031-03-14T10:0{n}:00{offset},{n}" for n in range(3)]), AMPS)
    assert len(read.samples("motor_amps")) == 3


def test_a_day_that_the_year_lacks_is_asked_for(text):
    rows = ["Dec 31 23:59:00,1", "Jan 1 00:00:00,2", "Feb 29 00:00:00,3"]
    assert "29 February" in text(export(rows), AMPS, source={"year": 2030}).said(Severity.STOP)
    assert utc(text(export(rows), AMPS, source={"year": 2031}).samples("motor_amps"))[2] == "2032-02-29T00:00:00"


def test_stamps_without_an_offset_among_others_are_asked_for(text):
    rows = ["2031-03-14T10:00:00Z,0", "2031-03-14T05:01:00,1", "2031-03-14T10:02:00Z,2"]
    read = text(export(rows), AMPS, zone="America/Chicago")
    assert "which zone do those without keep" in read.said(Severity.STOP)
    told = text(export(rows), AMPS, zone="UTC", source={"time_zone": "America/Chicago"})
    assert utc(told.samples("motor_amps"))[1] == "2031-03-14T10:01:00"


# order and clocks


@pytest.mark.parametrize(
    ("rows", "lost"),
    [
        ([*steady(10), *steady(10, "2031-03-14T12:10", first=10), *steady(10, "2031-03-14T10:20", first=20)], 10),
        ([*steady(10), *steady(2, "2031-03-14T12:10", first=10), *steady(10, "2031-03-14T10:12", first=20)], 2),
        ([*steady(10), "2031-03-13 10:00:00,99"], 1),
        (["2031-03-15 10:00:00,99", *steady(10)], 1),
        ([*steady(10), "2031-03-14,990"], 1),
    ],
)
def test_rows_of_a_clock_that_stood_wrong_for_a_while_are_set_aside(text, rows, lost):
    read = text(export(rows), AMPS)
    assert read.one.accounting.set_aside == {"stamp out of order": lost}
    assert "their stamps can't be right" in read.said(Severity.POINT)
    assert accounted(read)


def test_a_clock_set_back_marks_its_rows_though_many_follow(text):
    from forensics.model.vocabulary import Quality

    amps = text(export([*steady(10), *steady(130, "2031-03-14T08:00", first=10)]), AMPS).samples("motor_amps")
    assert (amps.q & int(Quality.CLOCK_SUSPECT)).all()


@pytest.mark.parametrize("first", ["2006-06-15T12:00", "2000-01-01T00:00", "1970-01-01T00:00"])
def test_a_few_rows_from_years_before_are_of_a_clock_that_was_not_set(text, first):
    read = text(export([*steady(2, first), *steady(30)]), AMPS)
    assert read.one.accounting.set_aside == {"clock not set": 2}


def test_many_rows_of_a_clock_that_was_not_set_are_no_history_of_the_failure(text):
    rows = [*steady(30, "2000-01-01T00:00"), *steady(5)]
    read = text(export(rows), AMPS, case={"failure": dt.datetime(2031, 3, 14, 10, 3)})
    assert read.one.accounting.set_aside == {"clock not set": 30}


def test_what_a_row_of_the_hour_that_comes_twice_told_is_not_known(text):
    rows = ["2031-11-02 00:50:00,0", "2031-11-02 01:10:00,1", "2031-11-02 02:10:00,0"]
    read = text(export(rows, "Time,Run"), [("run_status", "Run")], zone="America/Chicago")
    assert read.one.accounting.set_aside == {"repeated hour: pass not known": 1}
    assert read.switch("run_status").state.tolist() == [0, -1, 0], "neither on nor off from 01:10 on"
    long = "Time,Point,Value\n2031-11-02 00:50:00,Run,0\n2031-11-02 00:51:00,Amps,5\n2031-11-02 01:10:00,Run,1\n"
    long += "2031-11-02 02:10:00,Run,0\n2031-11-02 03:50:00,Amps,6\n"
    read = text(long, [("run_status", "Run"), *AMPS], zone="America/Chicago")
    assert read.switch("run_status").state.tolist() == [0, -1, 0]
    assert values(read.samples("motor_amps")) == [5, 6], "another point is not touched"


# values


@pytest.mark.parametrize(
    ("cells", "asked"),
    [
        (["0.45", "0.5", "0.75", "1"], "per cent, or parts of one"),
        (["0.45", "50%", "0.75", "1"], "without a sign"),
        (["450", "500", "1000", "0"], "1000 %"),
        (["4095", "2048", "0", "4095"], "4095 %"),
    ],
)
def test_per_cent_of_another_size_is_asked_for(text, cells, asked):
    rows = [row.rpartition(",")[0] + f",{cell}" for row, cell in zip(steady(4), cells, strict=True)]
    read = text(export(rows, "Time,Slide"), SLIDE)
    assert not read.roles()
    assert asked in read.said(Severity.POINT)


@pytest.mark.parametrize("cells", [["0", "0.2", "0.7", "0"], ["0", "0", "1", "0"], ["98", "104", "100", "0"]])
def test_per_cent_at_rest_and_beyond_a_hundred_is_taken(text, cells):
    rows = [row.rpartition(",")[0] + f",{cell}" for row, cell in zip(steady(4), cells, strict=True)]
    assert values(text(export(rows, "Time,Slide"), SLIDE).samples("slide_position")) == [float(cell) for cell in cells]


def test_the_energy_of_intervals_is_no_meter(text):
    rows = [row.rpartition(",")[0] + f",{kwh}" for row, kwh in zip(steady(6), (3, 2, 4, 1, 3, 2), strict=True)]
    read = text(export(rows, "Time,E (kWh)"), [("electrical_energy", "E (kWh)")])
    assert not read.roles()
    assert "energy of each interval" in read.said(Severity.POINT)


def test_a_state_in_a_guarded_cell_is_that_state(text):
    read = text(
        'Time,Run\n2031-03-14 10:00:00,="On"\n2031-03-14 10:01:00,="Off"\n2031-03-14 10:02:00,="1"\n',
        [("run_status", "Run")],
    )
    assert read.switch("run_status").state.tolist() == [1, 0, 1]


def test_what_is_asked_of_a_word_can_be_pasted(text):
    read = text('Time,Run\n2031-03-14 10:00:00,"on ""A"""\n2031-03-14 10:01:00,0\n', [("run_status", "Run")])
    assert 'unknown = ["on \\"A\\""]' in read.said()


# workbooks


def sheet(cells: list, form: str = "") -> bytes:
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Time", "Slide"])
    for n, cell in enumerate(cells):
        page.append([STARTS + dt.timedelta(minutes=n), cell])
        if form:
            page.cell(n + 2, 2).number_format = form
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def ods(cells: list[str]) -> bytes:
    rows = "".join(
        f'<table:table-row><table:table-cell office:value-type="date" office:date-value="2031-03-14T10:0{n}:00">'
        f"<text:p>x</text:p></table:table-cell>{cell}</table:table-row>"
        for n, cell in enumerate(cells)
    )
    names = "urn:oasis:names:tc:opendocument:xmlns"
    head = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{name}</text:p></table:table-cell>'
        for name in ("Time", "Slide")
    )
    content = (
        f'<?xml version="1.0"?><office:document-content xmlns:office="{names}:office:1.0" '
        f'xmlns:table="{names}:table:1.0" xmlns:text="{names}:text:1.0"><office:body><office:spreadsheet>'
        f'<table:table table:name="A"><table:table-row>{head}</table:table-row>{rows}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("mimetype", kind)
        archive.writestr("content.xml", content)
        archive.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest xmlns:manifest="{names}:manifest:1.0">{manifest}</manifest:manifest>',
        )
    return out.getvalue()


def test_cells_of_an_opendocument_sheet_in_per_cent_are_read_as_shown(text):
    part = '<table:table-cell office:value-type="percentage" office:value="{0}"><text:p>x</text:p></table:table-cell>'
    read = text(ods([part.format(v) for v in (0.4, 0.55, 1)]), [("slide_position", "Slide")], name="log.ods")
    assert values(read.samples("slide_position")) == [40, 55, 100]


def test_a_fraction_told_of_cells_shown_in_per_cent_is_asked_for(text):
    read = text(sheet([0.4, 0.5, 1], "0%"), [("slide_position", "Slide", {"unit": "fraction"})], name="log.xlsx")
    assert not read.roles()
    assert "per cent" in read.said(Severity.POINT)


def test_errors_of_a_sheet_keep_their_name_and_formulas_without_values_are_asked_for(text):
    read = text(sheet([40, "#N/A", "#DIV/0!", 50]), SLIDE, name="log.xlsx")
    assert read.one.accounting.cells_missing == {"#DIV/0!": 1, "#N/A": 1}
    read = text(sheet(["=1+1", "=2+2"]), SLIDE, name="log.xlsx")
    assert "none of its cells is a reading" in read.said(Severity.POINT)


# what headers and notes say


@pytest.mark.parametrize(
    ("name", "hour"),
    [("Time (UTC)", 10), ("Timestamp GMT", 10), ("time_utc", 10), ("Time [UTC-06:00]", 16), ("Time (UTC+1)", 9)],
)
def test_the_zone_that_the_name_of_the_time_column_says(text, name, hour):
    read = text(export(steady(3), f"{name},Amps"), AMPS, zone="America/Chicago")
    assert utc(read.samples("motor_amps"))[0] == f"2031-03-14T{hour:02}:00:00"
    assert name in read.detected("zone")
    told = text(export(steady(3), f"{name},Amps"), AMPS, source={"time_zone": "Europe/Berlin"})
    assert utc(told.samples("motor_amps"))[0] == "2031-03-14T09:00:00", "what the case tells wins"


@pytest.mark.parametrize("name", ["Time", "Local time", "Timestamp"])
def test_other_names_say_no_zone(text, name):
    read = text(export(steady(3), f"{name},Amps"), AMPS, zone="America/Chicago")
    assert utc(read.samples("motor_amps"))[0] == "2031-03-14T15:00:00"


def test_a_zone_in_the_notes_above_is_told(text):
    read = text("# Time zone: UTC+1\n" + export(steady(3)), AMPS, zone="America/Chicago")
    assert "Time zone: UTC+1" in read.said(Severity.NOTE)
    assert not text("# Zone: Europe/Berlin\n" + export(steady(3)), AMPS, zone="Europe/Berlin").said()


def test_records_above_a_wider_header_are_asked_for(text):
    wider = [row + ",300" for row in steady(4, "2031-03-14T10:05")]
    read = text(export(steady(2)) + export(wider, "Time,Amps,OilP"), AMPS)
    assert "2 records stand above the header on line 4" in read.said(Severity.POINT)
    noted = text("From,2031-03-14 10:00\nTo,2031-03-14 10:02\n" + export(steady(3)), AMPS)
    assert not noted.said(Severity.POINT)


@pytest.mark.parametrize("unit", ["x10 kPa", "10 kPa", "kPa*10", "kPa/10"])
def test_a_scale_in_the_header_is_no_unit(text, unit):
    header = f"OilP ({unit})"
    read = text(export(steady(3), f"Time,{header}"), [("oil_pressure_difference", header)])
    assert not read.roles()
    assert unit in read.said(Severity.POINT)


def test_a_year_of_two_digits_that_fits_the_failure_in_front_is_asked_for(text):
    rows = [f"31/03/14 10:0{n},{n}" for n in range(3)]
    failed = {"failure": dt.datetime(2031, 3, 14, 12)}
    assert "year first or last" in text(export(rows), AMPS, case=failed).said(Severity.STOP)
    assert len(text(export(rows), AMPS, case={"failure": dt.datetime(2014, 3, 31, 12)}).samples("motor_amps")) == 3


def test_blanks_about_the_names_of_a_long_log_part_no_point(text):
    rows = ["2031-03-14 10:00:00,Amps ,118", "2031-03-14 10:01:00,Amps,119"]
    read = text(export(rows, "Time,Point,Value"), AMPS)
    assert values(read.samples("motor_amps")) == [118, 119]


def test_a_month_of_an_unknown_language_is_named(text):
    read = text(export(["14 smonth 2031 10:00:00,1", "14 smonth 2031 10:01:00,2"]), AMPS)
    assert "month name 'smonth' is not known" in read.said(Severity.POINT)


# long logs and columns beside


def test_a_row_of_a_long_log_far_from_its_place_is_set_aside(text):
    rows = ["10:00:00,Run,1", "10:05:00,Amps,118", "08:00:00,Run,0", "10:06:00,Amps,0", "10:10:00,Run,1"]
    read = text(export([f"2031-03-14 {row}" for row in rows], "Time,Point,Value"), [*AMPS, ("run_status", "Run")])
    assert read.one.accounting.set_aside == {"stamp out of order": 1}
    assert read.switch("run_status").state.tolist() == [1, 1]
    rows[2] = "10:03:00,Run,0"
    read = text(export([f"2031-03-14 {row}" for row in rows], "Time,Point,Value"), [*AMPS, ("run_status", "Run")])
    assert read.switch("run_status").state.tolist() == [1, 0, 1], "a row that merely arrived late"


def test_a_long_log_whose_clock_was_set_back_is_asked_for(text):
    rows = [row.replace(",", ",Run,") for row in [*steady(10), *steady(10, "2031-03-14T09:00")]]
    read = text(export(rows, "Time,Point,Value"), [("motor_amps", "Run", {"unit": "A"})])
    assert "the clock was set back, or two parts" in read.said(Severity.STOP)


def test_a_long_log_that_stands_point_by_point_is_no_clock_that_was_set_back(text):
    rows = [row.replace(",", f",{name},") for name in ("Amps", "Run") for row in steady(2)]
    read = text(export(rows, "Time,Point,Value"), [*AMPS, ("run_status", "Run")])
    assert len(read.samples("motor_amps")) == len(read.switch("run_status")) == 2
    assert not read.said()


def test_a_status_beside_a_reading_says_that_there_was_none(text):
    rows = ["2031-03-14 10:00:00,118,OK,1", "2031-03-14 10:01:00,0,Comm fail,0", "2031-03-14 10:02:00,119,High,1"]
    read = text(export(rows, "Time,Amps,Amps Status,Run"), [*AMPS, ("run_status", "Run")])
    assert values(read.samples("motor_amps").usable) == [118, 119], "a state of the machine hides no reading"
    assert read.one.accounting.cells_missing == {"quality: Comm fail": 1}


@pytest.mark.parametrize(
    ("role", "unit", "cells"),
    [
        ("discharge_temperature", "K", ("5", "6.5", "7")),
        ("suction_pressure", "barg", ("300", "310", "305")),
        ("drive_hertz", "Hz", ("600", "590", "0")),
        ("suction_pressure", "psig", ("-40", "-41", "-42")),
    ],
)
def test_a_unit_that_makes_readings_of_no_machine_is_asked_for(text, role, unit, cells):
    rows = [row.rpartition(",")[0] + f",{cell}" for row, cell in zip(steady(3), cells, strict=True)]
    points = [(role, "X", {"unit": unit})]
    read = text(export(rows, "Time,X"), points, machine={"altitude_m": 0.0})
    assert not read.roles()
    assert "its unit is another" in read.said(Severity.POINT)


def test_a_few_readings_of_no_size_leave_the_point(text):
    rows = [row.rpartition(",")[0] + f",{cell}" for row, cell in zip(steady(3), (80, 850, 81), strict=True)]
    read = text(export(rows, "Time,X"), [("discharge_temperature", "X", {"unit": "degC"})])
    assert len(read.samples("discharge_temperature")) == 3


def test_files_without_a_readable_time_are_asked_for_once(tmp_path):
    for day in ("14", "15"):
        (tmp_path / f"log_203103{day}.csv").write_text("Time,Amps\n23:58:00,1\n23:59:00,2\n", encoding="utf-8")
    read = read_case(tmp_path, ["log_*.csv"], AMPS)
    assert "no such column" not in read.said()
    assert "The stamps have no date" in read.said(Severity.POINT)


def test_a_draft_says_which_rows_its_export_loses(tmp_path):
    file = tmp_path / "log.csv"
    file.write_text(export([*steady(5), "25:99,1", *steady(5, "2031-03-14T10:05")]), encoding="utf-8")
    assert "1 row is set aside: time not readable" in draft_case([file])
