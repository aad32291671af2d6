"""Dates that are written only when they change, in text and in sheets with merged cells.

All exports here are invented.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from intake_reading import read_case, utc

POINT = [("motor_amps", "Amps", {"unit": "A"})]
DAYS = ("14/03/2031", "15/03/2031", "16/03/2031")


def lines(form: str) -> str:
    out = ["Date,Time,Amps" if form == "two columns" else "Time,Amps"]
    for day in DAYS:
        for m in range(0, 1440, 10):
            clock = f"{m // 60:02}:{m % 60:02}:00"
            date = day if m == 0 else ""
            stamp = f"{date},{clock}" if form == "two columns" else f"{date} {clock}".strip()
            out.append(f"{stamp},{m}.5")
    return "\n".join(out) + "\n"


@pytest.mark.parametrize("form", ["two columns", "one column"])
@pytest.mark.parametrize("told", [True, False])
def test_a_date_goes_on_until_the_next_one(text, form, told):
    columns = {"time_column": ["Date", "Time"] if form == "two columns" else ["Time"]}
    read = text(lines(form), POINT, source=columns if told else None)
    amps = read.samples("motor_amps")
    assert len(amps) == 3 * 144
    assert (np.diff(amps.t) == 600 * 10**9).all()
    assert utc(amps)[0] == "2031-03-14T00:00:00"
    assert not read.said()
    assert "written only when they change" in str(read.one.detections)
    assert read.one.accounting.set_aside == {}


def test_an_empty_date_among_written_ones_is_still_set_aside(text):
    rows = lines("two columns").splitlines()
    written = [rows[0]]
    for n, row in enumerate(rows[1:]):
        written.append(row if row[0].isdigit() else f"{DAYS[n // 144]}{row}")
    written[200] = "," + written[200].partition(",")[2]
    read = text("\n".join(written) + "\n", POINT)
    assert read.one.accounting.set_aside == {"time not readable": 1}
    assert len(read.samples("motor_amps")) == 431


def test_a_long_log_carries_the_date_over_its_blocks(text):
    out = ["Date,Time,Point,Value"]
    for n, day in enumerate(DAYS):
        for s in range(0, 86_400, 4):
            clock = f"{s // 3600:02}:{s // 60 % 60:02}:{s % 60:02}"
            out.append(f"{day if s == 0 else ''},{clock},{'A1' if s % 8 else 'T1'},{n}.{s % 10}")
    points = [("motor_amps", "A1", {"unit": "A"}), ("oil_temperature", "T1", {"unit": "degC"})]
    read = text("\n".join(out) + "\n", points)
    assert len(read.samples("motor_amps")) == len(read.samples("oil_temperature")) == 3 * 10_800
    assert (np.diff(read.samples("motor_amps").t) == 8 * 10**9).all()


@pytest.mark.parametrize("merged", [True, False])
def test_merged_date_cells_of_a_sheet(tmp_path: Path, merged: bool) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Date", "Time", "Amps"])
    for day in (14, 15):
        first = sheet.max_row + 1
        for m in range(0, 1440, 30):
            sheet.append([dt.date(2031, 3, day) if m == 0 else None, dt.time(m // 60, m % 60), m + 0.5])
        if merged:
            sheet.merge_cells(start_row=first, end_row=sheet.max_row, start_column=1, end_column=1)
    book.save(tmp_path / "trend.xlsx")
    read = read_case(tmp_path, ["trend.xlsx"], POINT)
    amps = read.samples("motor_amps")
    assert len(amps) == 96
    assert (np.diff(amps.t) == 1800 * 10**9).all()
    assert utc(amps)[-1] == "2031-03-15T23:30:00"
