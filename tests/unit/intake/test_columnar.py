"""Column files: types kept, instants told from local stamps, and files that unpack beyond bounds refused."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import feather, parquet

from forensics.case.read import check_case
from forensics.errors import Problems, Severity, SheetQuestion
from forensics.intake.read import read_sources
from forensics.intake.typed.columnar import read_columns
from forensics.model.points import to_datetime
from forensics.model.vocabulary import Role

T0 = dt.datetime(2031, 3, 14, 5, 10, tzinfo=dt.UTC)
COUNT = 6


def frame(zone: str | None, **more: pa.Array) -> pa.Table:
    stamps = [T0 + dt.timedelta(seconds=10 * k) for k in range(COUNT)]
    local = stamps if zone else [stamp.replace(tzinfo=None) for stamp in stamps]
    return pa.table(
        {
            "Time": pa.array(local, pa.timestamp("ms", zone)),
            "Amps": pa.array([100.0, 101.5, None, 103.0, 104.0, 105.0]),
            "Run": pa.array(["On", "On", "On", "Off", "Off", None]),
            **more,
        }
    )


def write(table: pa.Table, file: Path) -> Path:
    if file.suffix == ".parquet":
        parquet.write_table(table, file)
    else:
        feather.write_feather(table, file)
    return file


def read(file: Path, **told: object):
    points = [
        {"role": "motor_amps", "column": "Amps", "unit": "A", "recorded": "instant"},
        {"role": "run_status", "column": "Run", "recorded": "instant"},
    ]
    case = check_case(
        {
            "schema": 1,
            "case": {"id": "x", "time_zone": "America/Chicago"},
            "machine": {"refrigerant": "R134a"},
            "source": [{"path": file.name, **told}],
            "point": points,
        }
    )
    problems = Problems()
    (reading,) = read_sources(case, file.parent, None, problems)
    return reading, problems


@pytest.mark.parametrize("name", ["t.parquet", "t.feather"])
@pytest.mark.parametrize(("zone", "first"), [("UTC", "05:10:00"), ("Europe/Berlin", "05:10:00"), (None, "10:10:00")])
def test_stamps_with_a_zone_are_instants_others_are_local(tmp_path: Path, name: str, zone: str | None, first: str):
    reading, problems = read(write(frame(zone), tmp_path / name))
    assert not problems.of(Severity.STOP)
    assert (reading.accounting.rows_read, reading.accounting.rows_kept) == (COUNT, COUNT)
    (amps,) = reading.samples
    (run,) = reading.switches
    assert amps.role is Role.MOTOR_AMPS
    assert to_datetime(int(amps.t[0])).strftime("%H:%M:%S") == first
    np.testing.assert_array_equal(amps.v, [100.0, 101.5, np.nan, 103.0, 104.0, 105.0])
    assert run.state.tolist() == [1, 1, 1, 0, 0, -1]
    assert amps.row.tolist() == [1, 2, 3, 4, 5, 6]


def test_types_that_are_neither_number_nor_time_become_text(tmp_path: Path):
    more = {
        "Flag": pa.array([True, False, None, True, True, False]),
        "Kind": pa.array(["a", "b", "a", "a", "b", "b"]).dictionary_encode(),
        "Whole": pa.array(range(COUNT), pa.int32()),
        "Day": pa.array([T0.date()] * COUNT, pa.date32()),
        "List": pa.array([[1], [2], [3], [4], [5], [6]]),
    }
    table = read_columns(write(frame("UTC", **more), tmp_path / "t.parquet"))
    assert table.column("Flag").words.to_pylist() == ["TRUE", "FALSE", None, "TRUE", "TRUE", "FALSE"]
    assert table.column("Whole").number.tolist() == [0, 1, 2, 3, 4, 5]
    assert table.column("Kind").words.to_pylist()[:2] == ["a", "b"]
    assert table.cell(table.names.index("Day"), 0) == "2031-03-14"
    assert table.column("Time").instant


def test_file_that_unpacks_to_far_more_than_it_weighs_is_refused(tmp_path: Path):
    column = pa.array(np.zeros(60_000_000))
    parquet.write_table(pa.table({"a": column}), tmp_path / "t.parquet", row_group_size=10_000_000)
    assert (tmp_path / "t.parquet").stat().st_size < 1 << 20
    with pytest.raises(SheetQuestion, match="unpacks to more than"):
        read_columns(tmp_path / "t.parquet")


@pytest.mark.parametrize("name", ["t.parquet", "t.feather"])
def test_damaged_files_leave_their_points_out(tmp_path: Path, name: str):
    whole = write(frame("UTC"), tmp_path / name).read_bytes()
    rng = np.random.default_rng(7)
    for data in (b"", b"PAR1", whole[:-9], whole[: len(whole) // 2], bytes(rng.integers(0, 256, 300, dtype=np.uint8))):
        (tmp_path / name).write_bytes(data)
        reading, problems = read(tmp_path / name)
        assert not reading.samples
        assert problems.of(Severity.POINT)


def test_empty_table_is_not_a_record_of_nothing(tmp_path: Path):
    reading, problems = read(write(frame("UTC").slice(0, 0), tmp_path / "t.parquet"))
    assert not reading.samples
    assert "no rows" in problems.of(Severity.POINT)[0].what


@pytest.mark.parametrize("name", ["t.parquet", "t.feather"])
def test_text_whose_bytes_are_none_is_a_damaged_file(tmp_path: Path, name: str) -> None:
    """Text is not looked at while it is read, so that damage in it would break where a cell is first asked for."""
    file = tmp_path / name
    good = b"WordsOfACell"
    table = pa.table({"Time": ["2031-03-14 10:00:00"], "State": [good.decode()]})
    if name.endswith("feather"):
        feather.write_feather(table, file, compression="uncompressed")
    else:
        parquet.write_table(table, file, compression="none", use_dictionary=False, write_statistics=False)
    content = file.read_bytes()
    assert good in content
    file.write_bytes(content.replace(good, b"\x80" + good[1:]))
    with pytest.raises(SheetQuestion, match="can't be read"):
        read_columns(file)
