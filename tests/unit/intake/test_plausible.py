"""Readings that can't be what they seem, and signs that nobody sees. All exports here are invented."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from intake_reading import read_case, values

from forensics.errors import Severity


def column(cells: list[object], header: str = "X") -> str:
    return f"Time,{header}\n" + "".join(
        f"2031-06-15 {m // 60:02}:{m % 60:02}:00,{cell}\n" for m, cell in enumerate(cells)
    )


def test_parts_of_one_under_a_per_cent_header_are_asked_for(text):
    parts = [0.0, 0.25, 0.71, 0.99, 1.0, 0.83, 0.5] * 4
    read = text(column(parts, "Slide [%]"), [("slide_position", "Slide")])
    assert not read.roles()
    assert "per cent, or parts of one?" in read.said(Severity.POINT)
    told = text(column(parts, "Slide"), [("slide_position", "Slide", {"unit": "fraction"})])
    assert values(told.samples("slide_position"))[:4] == [0.0, 25.0, 71.0, 99.0]
    ranged = text(column(parts, "Slide [%]"), [("slide_position", "Slide", {"range": [0, 100]})])
    assert values(ranged.samples("slide_position"))[2] == 0.71


@pytest.mark.parametrize("cells", [[0.0, 0.1, 0.3, 0.2] * 9, [0.0, 1.0] * 9, [0.0, 45.25, 98.5] * 9])
def test_per_cent_that_rest_or_move_are_not_asked_for(text, cells):
    read = text(column(cells, "Slide [%]"), [("slide_position", "Slide")])
    assert values(read.samples("slide_position")) == cells
    assert not read.said()


def test_a_pressure_below_vacuum_is_no_reading(text):
    read = text(column([250.0, -3.0, 251.0], "SuctP [kPaa]"), [("suction_pressure", "SuctP")])
    samples = read.samples("suction_pressure")
    assert samples.usable.v.tolist() == [250.0, 251.0]
    assert read.one.accounting.cells_missing == {"below vacuum": 1}
    assert "below vacuum" in read.notes()


def test_a_false_zero_of_an_hour_meter_is_no_reading(text):
    hours = text(column([812.0, 812.5, 0.0, 813.0, 813.5], "Hours"), [("run_hours", "Hours", {"unit": "h"})])
    found = hours.samples("run_hours")
    assert np.flatnonzero(np.isnan(found.v)).tolist() == [2]
    assert "count as missing (first on line 4)" in hours.notes()
    reset = text(column([812.0, 0.0, 0.5, 1.0], "Hours"), [("run_hours", "Hours", {"unit": "h"})])
    assert values(reset.samples("run_hours")) == [812.0, 0.0, 0.5, 1.0]


def test_marks_of_direction_in_a_header_do_not_hide_a_column(text):
    read = text(column([1.0, 2.0], "\u200eAmps\u200f"), [("motor_amps", "Amps", {"unit": "A"})])
    assert values(read.samples("motor_amps")) == [1.0, 2.0]


def test_a_lone_carriage_return_inside_a_text_does_not_break_the_row(text):
    lines = "Time,Amps,Remark\r\n2031-06-15 08:00:00,1.5,Trip\rmotor overload\r\n2031-06-15 08:01:00,2.5,\r\n"
    read = text(lines, [("motor_amps", "Amps", {"unit": "A"})])
    amps = read.samples("motor_amps")
    assert values(amps) == [1.5, 2.5]
    assert amps.row.tolist() == [2, 3]


def test_a_first_line_without_a_trip_tells_of_none_before_the_list(text):
    lines = "Time,Point,State\n2031-06-15 08:00:00,Trip,Off\n2031-06-15 09:00:00,Trip,On\n"
    read = text(lines, [("trip", "Trip", {"source": "log.csv"})], source={"kind": "events"})
    assert read.switch("trip").state.tolist() == [-1, 0, 1]


@pytest.mark.parametrize("form", ["0%", "0.0%", "0.00%", '0.0%;[Red]-0.0%;"off"'])
def test_cells_in_per_cent_are_read_as_they_are_shown(tmp_path: Path, form: str) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Time", "Slide", "Amps"])
    for m in range(30):
        sheet.append([dt.datetime(2031, 3, 14, 8, m), m / 29, 0.5 + m / 40])
        sheet.cell(row=m + 2, column=2).number_format = form
    book.save(tmp_path / "trend.xlsx")
    points = [("slide_position", "Slide"), ("motor_amps", "Amps", {"unit": "A"})]
    read = read_case(tmp_path, ["trend.xlsx"], points)
    slide = read.samples("slide_position")
    np.testing.assert_allclose(slide.v, [m / 29 * 100 for m in range(30)], 1e-9)
    assert read.samples("motor_amps").v[4] == 0.6
    assert "30 cells" in read.detected("per cent")
    assert not read.said()


def test_gaps_are_listed_with_their_times(text):
    rows = [f"2031-06-15 {m // 60:02}:{m % 60:02}:00,{m}.5" for m in range(240) if not 100 <= m < 160]
    read = text("\n".join(["Time,X", *rows]) + "\n", [("motor_amps", "X", {"unit": "A"})])
    assert "1 gap in rows that come every 60 s" in read.notes()
    assert "2031-06-15T01:39:00.000Z to 2031-06-15T02:40:00.000Z (61 min)" in read.notes()
    steady = text(column(list(range(50))), [("motor_amps", "X", {"unit": "A"})])
    assert "gap" not in steady.notes()


def test_none_in_a_trip_column_is_asked_for(text):
    trip = [("trip", "X")]
    assert "what does 'None' mean" in text(column(["None", "None", "High pressure"]), trip).said(Severity.POINT)
    told = text(column(["None", "Trip"]), [("trip", "X", {"off": ["None"], "on": ["Trip"]})])
    assert told.switch("trip").state.tolist() == [0, 1]
    only = text(column(["On", "On"]), trip)
    assert "its beginning is not in this record" in only.notes()
