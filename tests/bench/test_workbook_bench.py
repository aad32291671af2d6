"""A workbook of 100,000 rows by 16 columns costs little more than its cells: read, settled and bound in one go.

The bound is a ratio within one run, in processor time, so that the load of the machine does not decide it.
"""

from __future__ import annotations

import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import pytest
import python_calamine

from forensics.case.read import check_case
from forensics.case.schema import CaseFile
from forensics.errors import Problems
from forensics.intake.read import read_sources

pytestmark = pytest.mark.bench

ROWS, RUNS, RATIO = 100_000, 4, 1.3
ROLES = {
    "motor_amps": "A", "suction_pressure": "kPaa", "discharge_pressure": "kPaa", "oil_pressure": "kPaa",
    "oil_temperature": "degC", "discharge_temperature": "degC", "slide_position": "%", "volts_ab": "V", "volts_bc": "V",
    "volts_ca": "V", "amps_a": "A", "amps_b": "A", "amps_c": "A", "motor_power": "kW", "ambient_temperature": "degC",
}  # fmt: skip
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
DOCUMENT = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"


def _relations(*targets: tuple[str, str]) -> str:
    entries = "".join(
        f'<Relationship Id="r{k}" Type="{DOCUMENT}/{kind}" Target="{target}"/>'
        for k, (kind, target) in enumerate(targets)
    )
    return f'<Relationships xmlns="{PACKAGE}/relationships">{entries}</Relationships>'


def write_workbook(file: Path) -> None:
    """A workbook (ECMA-376 part 1) written as XML: a writer library would take twenty times as long."""
    letters = [chr(ord("A") + k) for k in range(1 + len(ROLES))]
    names = ["Time", *ROLES]
    head = "".join(
        f'<c r="{c}1" t="inlineStr"><is><t>{escape(n)}</t></is></c>' for c, n in zip(letters, names, strict=True)
    )
    values = np.round(np.random.default_rng(20310314).normal(100.0, 5.0, (ROWS, len(ROLES))), 2)
    days = 45458 + np.arange(ROWS) / 86_400
    body = [f'<row r="1">{head}</row>']
    for k in range(ROWS):
        cells = "".join(f'<c r="{c}{k + 2}"><v>{v}</v></c>' for c, v in zip(letters[1:], values[k], strict=True))
        body.append(f'<row r="{k + 2}"><c r="A{k + 2}" s="1"><v>{days[k]:.10f}</v></c>{cells}</row>')
    kinds = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    parts = {
        "[Content_Types].xml": (
            f'<Types xmlns="{PACKAGE}/content-types">'
            '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kinds}.sheet.main+xml"/>'
            f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{kinds}.worksheet+xml"/>'
            f'<Override PartName="/xl/styles.xml" ContentType="{kinds}.styles+xml"/></Types>'
        ),
        "_rels/.rels": _relations(("officeDocument", "xl/workbook.xml")),
        "xl/workbook.xml": (
            f'<workbook xmlns="{MAIN}" xmlns:r="{DOCUMENT}">'
            '<sheets><sheet name="Trend" sheetId="1" r:id="r0"/></sheets></workbook>'
        ),
        "xl/_rels/workbook.xml.rels": _relations(("worksheet", "worksheets/sheet1.xml"), ("styles", "styles.xml")),
        "xl/styles.xml": (
            f'<styleSheet xmlns="{MAIN}"><numFmts count="1">'
            '<numFmt numFmtId="164" formatCode="yyyy\\-mm\\-dd hh:mm:ss"/></numFmts>'
            '<fonts count="1"><font/></fonts><fills count="1"><fill/></fills><borders count="1"><border/>'
            '</borders><cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="2"><xf numFmtId="0"/>'
            '<xf numFmtId="164" applyNumberFormat="1"/></cellXfs></styleSheet>'
        ),
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{MAIN}"><sheetData>{"".join(body)}</sheetData></worksheet>',
    }
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)


def _case() -> CaseFile:
    points = [{"role": role, "column": role, "unit": unit} for role, unit in ROLES.items()]
    return check_case(
        {
            "schema": 1,
            "case": {"id": "bench", "time_zone": "UTC"},
            "machine": {"refrigerant": "R134a"},
            "source": [{"path": "t.xlsx", "time_column": "Time"}],
            "point": points,
        }
    )


def _seconds(call: Callable[[], object]) -> float:
    start = time.process_time()
    call()
    return time.process_time() - start


def test_workbook_costs_at_most_a_third_more_than_its_cells(tmp_path: Path):
    write_workbook(tmp_path / "t.xlsx")
    case = _case()

    def cells() -> object:
        book = python_calamine.CalamineWorkbook.from_path(tmp_path / "t.xlsx")
        return book.get_sheet_by_name("Trend").to_python(skip_empty_area=False)

    def whole() -> object:
        problems = Problems()
        (reading,) = read_sources(case, tmp_path, None, problems)
        assert (reading.accounting.rows_kept, len(reading.samples)) == (ROWS, len(ROLES)), list(problems)
        return reading

    whole()
    times = [(_seconds(cells), _seconds(whole)) for _ in range(RUNS)]
    ratio = min(own for _, own in times) / min(bare for bare, _ in times)
    assert ratio <= RATIO, f"{ratio:.2f} times the cells alone"
