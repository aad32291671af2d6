"""Siblings of the messy exports as workbooks, column files and waveform records; all invented for these tests."""

from __future__ import annotations

import datetime as dt
import io
import struct
from collections.abc import Sequence
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from intake_reading import read_case, utc, values
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from forensics.errors import Severity

AMPS = [("motor_amps", "Amps", {"unit": "A"})]
LOAD = ("load_solenoid", "Load")


def sheet(*rows: Sequence[object], mac: bool = False) -> bytes:
    book = openpyxl.Workbook()
    if mac:
        book.epoch = CALENDAR_MAC_1904
    for row in rows:
        book.active.append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def at(hour: int, minute: int, second: int = 0, *, month: int = 6, day: int = 15) -> dt.datetime:
    return dt.datetime(2024, month, day, hour, minute, second)


@pytest.mark.parametrize("texts", [False, True])
def test_a_long_log_in_a_sheet_keeps_its_header_and_its_order(text, texts):
    rows = [(at(8, 30, 5), "Load", "Off"), (at(8, 30, 5), "Load", "On"), (at(8, 29, 40), "Load", "Off")]
    rows = [(stamp.isoformat(" ") if texts else stamp, *rest) for stamp, *rest in rows]
    read = text(sheet(("Time", "Tag", "Value"), *rows), [LOAD], name="log.xlsx")
    assert read.switch("load_solenoid").state.tolist() == [0, 1, 0]
    assert read.one.accounting.rows_read == read.one.accounting.rows_kept == 3


def test_dates_that_a_sheet_read_month_first_among_texts_that_it_could_not_are_asked_for(text):
    swapped = [(at(6, 0, month=month, day=6), i) for i, month in enumerate((9, 10, 12))]
    read = text(
        sheet(("Time", "Amps"), *swapped, ("13/06/2024 06:00", 4), ("14/06/2024 06:00", 5)), AMPS, name="log.xlsx"
    )
    said = read.said(Severity.STOP)
    assert "line 2 column 'Time'" in said
    assert "with day and month of the dates exchanged" in said
    assert not read.roles()
    right = [(at(6, 0, day=day), i) for i, day in enumerate((9, 10, 12))]
    read = text(
        sheet(("Time", "Amps"), *right, ("13/06/2024 06:00", 4), ("14/06/2024 06:00", 5)), AMPS, name="log.xlsx"
    )
    assert values(read.samples("motor_amps")) == [0.0, 1.0, 2.0, 4.0, 5.0]


@pytest.mark.parametrize(
    ("told", "first"), [({}, "2024-06-15T08:30:00"), ({"time_number": "days-1900"}, "2020-06-14T08:30:00")]
)
def test_a_date_system_that_the_case_gives_holds_against_that_of_the_workbook(text, told, first):
    rows = ((43996.3541666667 + minute / 1440, 118 + minute) for minute in range(3))
    source = {"time_column": "Time", **told}
    read = text(sheet(("Time", "Amps"), *rows, mac=True), AMPS, name="log.xlsx", source=source)
    assert utc(read.samples("motor_amps"))[0] == first


def test_dates_texts_and_numbers_of_one_column_of_a_1904_workbook(text):
    rows = [(at(8, 30), 118), ("15/06/2024 08:31", 119), (43996.3555555556, 120)]
    read = text(sheet(("Time", "Amps"), *rows, mac=True), AMPS, name="log.xlsx")
    assert utc(read.samples("motor_amps")) == [f"2024-06-15T08:3{minute}:00" for minute in range(3)]


def test_texts_among_the_numbers_of_a_sheet_have_the_marks_of_the_texts_alone(text):
    rows = [(at(8, 30), "118,5"), (at(8, 31), 119.25), (at(8, 32), 1.234)]
    amps = text(sheet(("Zeit", "Amps"), *rows), AMPS, name="log.xlsx").samples("motor_amps")
    assert values(amps) == [118.5, 119.25, 1.234]
    open_mark = text(sheet(("Zeit", "Amps"), (at(8, 30), "1,234"), (at(8, 31), 119.25)), AMPS, name="log.xlsx")
    assert "'1,234' (line 2) may be 1234 or 1.234" in open_mark.said(Severity.POINT)
    assert not open_mark.roles()


def test_a_units_row_of_a_sheet_with_brackets_and_the_form_of_its_stamps(text):
    rows = [("Time", "DischP", "DischT"), ("dd/mm/yyyy hh:mm", "bar(g)", "[°F]"), (at(8, 30), 12.5, 212)]
    points = [("discharge_pressure", "DischP"), ("discharge_temperature", "DischT")]
    read = text(sheet(*rows), points, name="log.xlsx", machine={"altitude_m": 0.0})
    assert values(read.samples("discharge_pressure")) == [1351.325]
    assert values(read.samples("discharge_temperature")) == [100.0]


def test_texts_of_a_column_file_are_decided_by_their_own_marks(text):
    def parquet(*cells: str) -> bytes:
        buffer = io.BytesIO()
        stamps = [f"2024-06-15 08:3{minute}" for minute in range(len(cells))]
        pq.write_table(pa.table({"Zeit": stamps, "Amps": list(cells)}), buffer)
        return buffer.getvalue()

    clear = text(parquet("118,5", "1,234"), AMPS, name="log.parquet")
    assert values(clear.samples("motor_amps")) == [118.5, 1.234]
    assert "may be 1235 or 1.235" in text(parquet("1,235", "1,234"), AMPS, name="log.parquet").said(Severity.POINT)


def test_an_unknown_month_and_the_notes_above_a_sheet_are_said(text):
    rows = [("Zeit", "Amps"), ("15-Mai-2024 08:00", 1), ("15-Okt-2024 08:00", 2), ("15-Foo-2024 08:00", 3)]
    read = text(sheet(*rows), AMPS, name="log.xlsx")
    assert "line 4 column 'Zeit': month name 'Foo' not known" in read.said(Severity.NOTE)
    assert read.one.accounting.set_aside == {"time not readable": 1}
    notes = [("Trend",), ("Range", at(8, 30), at(18, 0)), ("Records: 10",), (), ("Time", "Amps"), (at(8, 30), 1)]
    said = text(sheet(*notes, (at(8, 31), 2)), AMPS, name="log.xlsx").said(Severity.NOTE)
    assert "the notes say 10 records, 2 were read" in said
    assert "the notes say the range ends 2024-06-15 18:00:00, the last stamp is 2024-06-15 08:31" in said


# waveforms

CURRENTS = (1180, 1175, 1182, 1490, 3970, 3900, 2100, 120)
STAMPS = (0, 833, 1667, 2500, 3333, 4167, 5000, 5833)
CFG = (
    "PLANT A,RELAY,1999\n3,2A,1D\n1,IA,A,,A,0.1,0,0,-32767,32767,1,1,P\n2,IB,B,,A,0.1,0,0,-32767,32767,1,1,P\n"
    "1,TRIP,,,0\n60\n1\n1200,8\n15/06/2024,08:30:14.000000\n15/06/2024,08:30:14.002500\n{kind}\n1\n"
)


def waveform(folder: Path, kind: str, data: bytes):
    (folder / "w.cfg").write_text(CFG.format(kind=kind), encoding="utf-8")
    (folder / "w.dat").write_bytes(data)
    return read_case(folder, ["w.cfg"], [("amps_a", "IA"), ("trip", "TRIP")])


@pytest.mark.parametrize("filler", [b"\0" * 28, b"\x1a" * 512, b"\x1a" + b"\0" * 41])
def test_filler_behind_the_samples_of_a_binary_record_is_set_aside(tmp_path: Path, filler: bytes):
    samples = zip(STAMPS, CURRENTS, strict=True)
    data = b"".join(struct.pack("<IIhhH", i, t, v, v - 3, i > 4) for i, (t, v) in enumerate(samples, start=1))
    read = waveform(tmp_path, "BINARY", data + filler)
    assert read.one.accounting.rows_kept == 8
    assert f"{len(filler)} bytes after the last of 8 records of 14 bytes" in read.notes()
    assert read.switch("trip").state.tolist() == [0, 0, 0, 0, 1, 1, 1, 1]


def test_a_sample_missing_in_the_middle_is_no_early_end(tmp_path: Path):
    samples = list(enumerate(zip(STAMPS, CURRENTS, strict=True), start=1))
    lines = [f"{i},{t},{v},{v - 3},{int(i > 4)}" for i, (t, v) in samples if i != 4]
    read = waveform(tmp_path, "ASCII", "\n".join(lines).encode())
    assert "announces 8 samples, the .dat has 7: by their numbers 1 is missing among them" in read.notes()
    assert "ends early" not in read.notes()
    short = waveform(tmp_path, "ASCII", "\n".join(lines[:-1]).encode())
    assert "the record ends early" in short.notes()
