"""Any bytes at all give a reading or a clear problem: waveform records, workbooks and column files.

Two kinds of input: bytes of no form, and whole files with some bytes changed, cut or doubled, which get much further.
"""

from __future__ import annotations

import io
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import feather, parquet

from forensics.case.exports import Point, Source
from forensics.case.read import check_case
from forensics.errors import Problems
from forensics.intake.read import read_sources
from forensics.intake.waveform.reader import read_waveform

ROUNDS = settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
CFG = (
    "Bench,REC,{revision}\n3,2A,1D\n1,IA,A,,A,0.1,0,0,-32767,32767,200,5,S\n2,UAB,,,kV,0.001,0,0,-32767,32767,1,1,P\n"
    "1,S1,,,0\n60\n{rates}\n15/06/2024,08:30:14.000000\n15/06/2024,08:30:14.001000\n{kind}\n1\n-6,-6\n0,0\n"
)
ROWS = b"1,0,100,480,0\n2,1000,110,481,0\n3,2000,120,482,1\n4,3000,130,483,1\n"
BINARY = b"".join(
    int(k + 1).to_bytes(4, "little") + int(1000 * k).to_bytes(4, "little") + bytes([k, 0, 2 * k, 0, k % 2, 0])
    for k in range(12)
)
changes = st.lists(
    st.tuples(st.sampled_from(["set", "cut", "double", "insert"]), st.floats(0, 1), st.binary(min_size=1, max_size=12)),
    max_size=6,
)


def changed(data: bytes, how: list[tuple[str, float, bytes]]) -> bytes:
    """Data with some bytes set, cut, doubled or inserted."""
    for kind, share, more in how:
        at = int(share * len(data))
        if kind == "set":
            data = data[:at] + more + data[at + len(more) :]
        elif kind == "cut":
            data = data[:at] + data[at + 3 * len(more) :]
        elif kind == "double":
            data = data[:at] + data[max(0, at - 4 * len(more)) :]
        else:
            data = data[:at] + more + data[at:]
    return data


def check_record(folder: Path, name: str) -> None:
    problems = Problems()
    points = [
        Point.model_validate({"role": "amps_a", "column": "IA", "source": name}),
        Point.model_validate({"role": "volts_ab", "column": "UAB", "source": name}),
        Point.model_validate({"role": "run_status", "column": "S1", "source": name}),
    ]
    reading = read_waveform(Source(path=name), points, folder / name, "America/Chicago", problems)
    assert reading.rows_read == reading.rows_kept + sum(reading.set_aside.values())
    if reading.waveform is None:
        assert list(problems)
        return
    wave = reading.waveform
    assert len(wave.time_s) == reading.rows_kept
    assert bool((np.diff(wave.time_s) > 0).all())
    for values in wave.analog.values():
        assert not np.isinf(values).any()
        assert len(values) == len(wave.time_s)


@ROUNDS
@given(
    cfg=changes,
    dat=changes,
    kind=st.sampled_from(["ASCII", "BINARY"]),
    revision=st.sampled_from(["1991", "1999", "2013", ""]),
    rates=st.sampled_from(["1\n1000,4", "0\n0,4", "2\n1000,2\n500,12"]),
)
def test_changed_records(tmp_path: Path, cfg, dat, kind: str, revision: str, rates: str):
    text = CFG.format(revision=revision, rates=rates, kind=kind).encode()
    (tmp_path / "r.cfg").write_bytes(changed(text, cfg))
    (tmp_path / "r.dat").write_bytes(changed(ROWS if kind == "ASCII" else BINARY, dat))
    check_record(tmp_path, "r.cfg")


@ROUNDS
@given(data=st.binary(max_size=400), how=changes)
def test_changed_single_files(tmp_path: Path, data: bytes, how):
    text = CFG.format(revision="2013", rates="1\n1000,4", kind="ASCII").encode()
    whole = b"--- file type: CFG ---\n" + text + b"--- file type: DAT ASCII ---\n" + ROWS
    for content in (data, changed(whole, how)):
        (tmp_path / "r.cff").write_bytes(content)
        check_record(tmp_path, "r.cff")


def _workbook() -> bytes:
    book = openpyxl.Workbook()
    book.active.append(["Time", "IA", "S1"])
    start = datetime.fromisoformat("2031-03-14T05:10:00")
    for k in range(5):
        book.active.append([start + timedelta(seconds=k), 100.0 + k, "On"])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _columns(*, ipc: bool) -> bytes:
    sink = io.BytesIO()
    stamps = pa.array([10**15 + k * 10**6 for k in range(5)], pa.timestamp("us", "UTC"))
    table = pa.table({"Time": stamps, "IA": [1.0, 2.0, 3.0, 4.0, 5.0], "S1": ["On"] * 5})
    if ipc:
        feather.write_feather(table, sink)
    else:
        parquet.write_table(table, sink)
    return sink.getvalue()


TABLES = {"t.xlsx": _workbook(), "t.parquet": _columns(ipc=False), "t.feather": _columns(ipc=True)}


@pytest.mark.parametrize("name", ["t.xlsx", "t.ods", "t.parquet", "t.feather"])
@ROUNDS
@given(data=st.binary(max_size=300), how=changes)
def test_changed_tables(tmp_path: Path, name: str, data: bytes, how):
    case = check_case(
        {
            "schema": 1,
            "case": {"id": "any", "time_zone": "America/Chicago"},
            "machine": {"refrigerant": "R134a"},
            "source": [{"path": name}],
            "point": [{"role": "amps_a", "column": "IA", "unit": "A"}, {"role": "run_status", "column": "S1"}],
        }
    )
    for content in (data, changed(TABLES.get(name, TABLES["t.xlsx"]), how)):
        (tmp_path / name).write_bytes(content)
        problems = Problems()
        (reading,) = read_sources(case, tmp_path, None, problems)
        accounting = reading.accounting
        assert accounting.rows_read == accounting.rows_kept + sum(accounting.set_aside.values())
        assert reading.samples or list(problems)
