"""Sheets of workbooks: the right sheet, header, dates and numbers, and archives that are refused.

Date systems: ECMA-376 part 1, 18.17.4.1 (day number 45458 is 2024-06-15 counted from 1899-12-30; the 1904 system counts
1462 days less). Writers: openpyxl, and archives written here part by part.
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from forensics.case.exports import Source
from forensics.errors import Severity, SheetQuestion
from forensics.intake.table.parser import BlockReader
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.row_filter import Wanted
from forensics.intake.typed.cells import NO_TIME
from forensics.intake.typed.reader import gather_table, open_table, row_texts, table_dialect
from forensics.intake.typed.workbook import read_sheet, sheet_names

MESSY = Path(__file__).parent / "messy"
T0 = dt.datetime(2024, 6, 15, 8, 30)


def stamps(cells) -> list[str]:
    return [str(np.datetime64(int(value), "ns"))[:19] for value in cells.wall_ns]


def save(folder: Path, rows: list[list[object]], **sheets: list[list[object]]) -> Path:
    book = openpyxl.Workbook()
    page = book.active
    page.title = "Trend"
    for row in rows:
        page.append(row)
    for name, content in sheets.items():
        other = book.create_sheet(name)
        for row in content:
            other.append(row)
    book.save(folder / "t.xlsx")
    return folder / "t.xlsx"


def gather(file: Path, numbers: list[str], words: list[str] | None = None, **told: object):
    source = Source.model_validate({"path": file.name, **told})
    table = open_table(file, source, numbers)
    layout = table_dialect(table, source)
    place = layout.names.index
    wanted = Wanted(layout.time_columns, [place(name) for name in numbers], [place(name) for name in words or []])
    reader = BlockReader(
        path=file.name,
        dialect=layout,
        wanted=wanted,
        order="",
        decimal=".",
        keep=None,
        zone_offsets={},
        gathered=RawTable(),
    )
    gather_table(table, reader, source)
    assert reader.gathered.rows_read == sum(len(p.row) for p in reader.gathered.pieces) + len(reader.gathered.aside)
    return table, layout, reader.gathered


def local(gathered: RawTable) -> list[str]:
    return [str(np.datetime64(int(t), "ns"))[:23] for piece in gathered.pieces for t in piece.times.local]


def words(gathered: RawTable, column: int) -> list[str]:
    names, codes = gathered.words(column)
    return [names[int(code)] for code in codes]


# --- the messy folders --------------------------------------------------------------------------------------------


def test_1904_workbook_reads_dates_and_plain_day_numbers_alike():
    file = MESSY / "12-workbook-1904" / "ch2_1904.xlsx"
    right = ["2024-06-15T08:30:00", "2024-06-15T08:31:00", "2024-06-15T08:32:00"]
    table = read_sheet(file, times=["Time"])
    assert stamps(table.column("Time")) == right
    table = read_sheet(file, times=["Time as number"])
    assert stamps(table.column("Time as number")) == right
    assert table.column("CH2 OilP kPa").number.tolist() == [410.0, 408.0, 120.0]
    assert any("1904 date system" in note for note in table.notes)
    for column in ("Time", "Time as number", "A", "B"):
        _, _, gathered = gather(file, ["CH2 OilP kPa"], time_column=column)
        assert [stamp[:19] for stamp in local(gathered)] == right
        assert gathered.rows_read == 3


def test_two_header_rows_follow_their_merged_ranges():
    table = read_sheet(MESSY / "40-merged-header-cells" / "ch2_merged.xlsx")
    assert table.names == (
        "Time", "Comp A / Amps", "Comp A / OilP kPa", "Comp B / Amps", "Comp B / OilP kPa", "OAT C",
    )  # fmt: skip
    want = [[118, 131, 0], [410, 350, 20], [96, 95, 97], [402, 401, 400], [31.0, 31.1, 31.1]]
    assert [cells.number.tolist() for cells in table.columns[1:]] == want
    assert stamps(table.columns[0])[0] == "2024-06-15T08:30:00"
    assert table.row.tolist() == [3, 4, 5]
    same = read_sheet(MESSY / "40-merged-header-cells" / "ch2_merged.xlsx", wanted=["Comp B / Amps", "OAT C"])
    assert same.names == table.names


# --- layout -------------------------------------------------------------------------------------------------------


def test_preamble_units_row_blank_repeated_header_and_footer(tmp_path: Path):
    file = save(
        tmp_path,
        [
            ["Trend export"],
            ["Site clock"],
            ["Time", "Amps", "State"],
            ["", "A", ""],
            [T0, 118.0, "On"],
            [T0 + dt.timedelta(minutes=1), "N/A", "On"],
            [],
            ["Time", "Amps", "State"],
            [T0 + dt.timedelta(minutes=2), 120, "Off"],
            ["End of report"],
        ],
    )
    table, layout, gathered = gather(file, ["Amps"], ["State"])
    assert (layout.header_line, layout.units) == (3, {1: "A"})
    assert [(row.row, row.reason) for row in sorted(gathered.aside, key=lambda row: row.row)] == [
        (7, "blank line"),
        (8, "repeated header"),
        (10, "time not readable"),
    ]
    assert gathered.row().tolist() == [5, 6, 9]
    assert words(gathered, 1) == ["118", "N/A", "120"]
    assert words(gathered, 2) == ["On", "On", "Off"]
    assert row_texts(table, [5, 9])[9].split("\x1f")[1:] == ["120", "Off"]


def test_date_and_time_in_two_columns(tmp_path: Path):
    rows = [[dt.date(2024, 6, 15), dt.time(8, 30, k), 100.0 + k] for k in range(3)]
    _, layout, gathered = gather(save(tmp_path, [["Date", "Time", "Amps"], *rows]), ["Amps"])
    assert layout.time_columns == [0, 1]
    assert local(gathered)[-1] == "2024-06-15T08:30:02.000"
    assert gathered.pieces[0].columns[2].tolist() == [100.0, 101.0, 102.0]


def test_stamps_as_text_in_a_sheet_go_through_the_grammar_of_text(tmp_path: Path):
    rows = [[f"2024-06-15 08:30:0{k}", 1.5 * k] for k in range(3)]
    _, _, gathered = gather(save(tmp_path, [["Time", "Amps"], *rows]), ["Amps"])
    assert local(gathered)[-1] == "2024-06-15T08:30:02.000"


def test_midnight_is_a_date_without_time_and_still_a_stamp(tmp_path: Path):
    midnight = T0.replace(day=16, hour=0, minute=0)
    file = save(tmp_path, [["Time", "Amps"], [midnight - dt.timedelta(minutes=1), 1], [midnight, 2]])
    assert stamps(read_sheet(file).columns[0]) == ["2024-06-15T23:59:00", "2024-06-16T00:00:00"]


def test_columns_of_one_name_are_told_apart(tmp_path: Path):
    file = save(tmp_path, [["Time", "P", "P"], [T0, 1, 2], [T0 + dt.timedelta(minutes=1), 3, 4]])
    assert read_sheet(file).names == ("Time", "P [col 2]", "P [col 3]")
    assert table_dialect(read_sheet(file), Source(path="t.xlsx")).raw_names == ["Time", "P", "P"]


def test_hidden_rows_are_read_and_said(tmp_path: Path):
    file = save(tmp_path, [["Time", "Amps"], *[[T0 + dt.timedelta(minutes=k), k] for k in range(5)]])
    book = openpyxl.load_workbook(file)
    book.active.row_dimensions[3].hidden = True
    book.active.row_dimensions[4].hidden = True
    book.save(file)
    table = read_sheet(file)
    assert table.columns[1].number.tolist() == [0, 1, 2, 3, 4]
    assert any("2 hidden rows" in note for note in table.notes)


# --- which sheet --------------------------------------------------------------------------------------------------

TABLE = [["Time", "Amps"], [T0, 1], [T0 + dt.timedelta(minutes=1), 2]]


def test_only_sheet_with_a_table_is_taken_and_hidden_ones_are_not(tmp_path: Path):
    file = save(tmp_path, TABLE, Info=[["Unit", "CH2"]], Old=TABLE)
    book = openpyxl.load_workbook(file)
    book["Old"].sheet_state = "hidden"
    book.save(file)
    table = read_sheet(file)
    assert {what: value for what, value, _ in table.detections}["sheet"] == "Trend"
    assert any("hidden sheet 'Old'" in note for note in table.notes)
    assert sheet_names(file) == ("Trend", "Info")
    assert any("is hidden" in note for note in read_sheet(file, sheet="Old").notes)


def test_several_tables_are_asked_about_unless_the_columns_settle_it(tmp_path: Path):
    file = save(tmp_path, TABLE, Second=[["Time", "Volts"], *TABLE[1:]])
    with pytest.raises(SheetQuestion) as fault:
        read_sheet(file)
    problem = fault.value.problem("t.xlsx")
    assert problem.severity is Severity.POINT
    assert 'sheet = "Trend" or sheet = "Second"' in problem.remedy
    assert read_sheet(file, wanted=["Volts"]).names == ("Time", "Volts")
    with pytest.raises(SheetQuestion, match="no sheet 'Third'"):
        read_sheet(file, sheet="Third")


# --- open document ------------------------------------------------------------------------------------------------


def _ods(folder: Path, body: str) -> Path:
    content = (
        '<?xml version="1.0"?><office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" office:version="1.2"><office:body>'
        f'<office:spreadsheet><table:table table:name="Trend">{body}</table:table></office:spreadsheet>'
        "</office:body></office:document-content>"
    )
    with zipfile.ZipFile(folder / "t.ods", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        manifest = (
            '<?xml version="1.0"?><manifest:manifest '
            'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
            '<manifest:file-entry manifest:full-path="/" '
            'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/></manifest:manifest>'
        )
        archive.writestr("META-INF/manifest.xml", manifest)
        archive.writestr("content.xml", content)
    return folder / "t.ods"


def _text(value: str, more: str = "") -> str:
    return f'<table:table-cell office:value-type="string"{more}><text:p>{value}</text:p></table:table-cell>'


DOWN, ACROSS = ' table:number-rows-spanned="2"', ' table:number-columns-spanned="2"'


def test_open_document_with_merged_header(tmp_path: Path):
    covered = "<table:covered-table-cell/>"
    head = (
        f"<table:table-row>{_text('Time', DOWN)}"
        f"{_text('Comp A', ACROSS)}{covered}</table:table-row>"
        f"<table:table-row>{covered}{_text('Amps')}{_text('Volts')}</table:table-row>"
    )
    rows = "".join(
        f'<table:table-row><table:table-cell office:value-type="date" office:date-value="2024-06-15T08:3{k}:00"/>'
        f'<table:table-cell office:value-type="float" office:value="{100 + k}"/>'
        f'<table:table-cell office:value-type="float" office:value="460"/></table:table-row>'
        for k in range(3)
    )
    table = read_sheet(_ods(tmp_path, head + rows))
    assert table.names == ("Time", "Comp A / Amps", "Comp A / Volts")
    assert stamps(table.columns[0])[-1] == "2024-06-15T08:32:00"
    assert table.columns[1].number.tolist() == [100.0, 101.0, 102.0]


def test_open_document_that_unfolds_to_too_many_cells_is_refused(tmp_path: Path):
    cell = _text("x", ' table:number-columns-repeated="1000"')
    row = f'<table:table-row table:number-rows-repeated="1000000">{cell}</table:table-row>'
    with pytest.raises(SheetQuestion, match="unfolds to more"):
        read_sheet(_ods(tmp_path, row))


# --- archives that are refused ------------------------------------------------------------------------------------


def _parts(file: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(file) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _rewrite(file: Path, parts: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return file


def test_archive_that_unpacks_to_far_more_than_it_weighs_is_refused(tmp_path: Path):
    file = save(tmp_path, TABLE)
    parts = _parts(file)
    parts["xl/media/filler.bin"] = b"\0" * (64 << 20)
    _rewrite(file, parts)
    assert file.stat().st_size < 200_000
    with pytest.raises(SheetQuestion, match="it is not opened"):
        read_sheet(file)


def test_two_cells_in_far_corners_are_refused(tmp_path: Path):
    file = save(tmp_path, TABLE)
    parts = _parts(file)
    sheet = parts["xl/worksheets/sheet1.xml"]
    far = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    parts["xl/worksheets/sheet1.xml"] = sheet.replace(b"</sheetData>", far)
    with pytest.raises(SheetQuestion, match="spans 1048576 rows and 16384 columns"):
        read_sheet(_rewrite(file, parts))


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"not a workbook at all", bytes(range(256)) * 40])
def test_bytes_that_are_no_workbook_are_said(tmp_path: Path, data: bytes):
    (tmp_path / "t.xlsx").write_bytes(data)
    with pytest.raises(SheetQuestion, match="not a whole workbook"):
        read_sheet(tmp_path / "t.xlsx")


def test_old_binary_workbook_says_what_to_do(tmp_path: Path):
    (tmp_path / "t.xlsx").write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600))
    with pytest.raises(SheetQuestion, match="old binary form, or protected"):
        read_sheet(tmp_path / "t.xlsx")


def test_damaged_workbooks_give_a_question_and_never_a_traceback(tmp_path: Path):
    whole = save(tmp_path, TABLE).read_bytes()
    rng = np.random.default_rng(20310314)
    outcomes: list[str] = []
    for _ in range(60):
        data = bytearray(whole)
        for at in rng.integers(0, len(data), 8):
            data[at] = int(rng.integers(0, 256))
        (tmp_path / "t.xlsx").write_bytes(bytes(data[: int(rng.integers(len(data) // 2, len(data) + 1))]))
        outcomes.append(_outcome(tmp_path / "t.xlsx"))
    assert set(outcomes) <= {"rows", "question"}
    assert "question" in outcomes


def _outcome(file: Path) -> str:
    try:
        return "rows" if len(read_sheet(file).row) else "nothing"
    except SheetQuestion:
        return "question"


def test_empty_sheets_and_header_only_are_said(tmp_path: Path):
    with pytest.raises(SheetQuestion, match="empty"):
        read_sheet(save(tmp_path, []))
    with pytest.raises(SheetQuestion, match="no rows below"):
        read_sheet(save(tmp_path, [["Time", "Amps"]]))


def test_numbers_and_booleans_are_not_mixed_up(tmp_path: Path):
    file = save(tmp_path, [["Time", "Run", "Amps"], *[[T0 + dt.timedelta(minutes=k), k > 0, 1.5] for k in range(3)]])
    table = read_sheet(file)
    assert table.column("Run").text == {0: "FALSE", 1: "TRUE", 2: "TRUE"}
    assert (table.column("Amps").wall_ns is None, table.column("Time").wall_ns is not None) == (True, True)
    assert NO_TIME not in table.column("Time").wall_ns


def test_history_workbook_of_a_case(shared: Path):
    file = shared / "incidents" / "cases" / "case-08" / "exports" / "ch2_history.xlsx"
    table, layout, gathered = gather(file, ["CH2 Motor Current"], ["CH2 Run Status"], sheet="Trend")
    # Good rows of the case's own truth.
    assert (len(table.row), gathered.rows_read, layout.header_line) == (7202, 7202, 3)
    assert layout.units[layout.names.index("CH2 Suction Pressure")] == "psig"
    assert io.BytesIO(file.read_bytes()).getbuffer().nbytes == file.stat().st_size
