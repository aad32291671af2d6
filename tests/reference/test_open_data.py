"""Failure windows of an open recording: values worked out from the bytes, by intake and by the detectors.

MetroPT-3 (Davari, Veloso, Ribeiro, Gama 2021; UCI Machine Learning Repository, DOI 10.24432/C5VW3R; CC BY 4.0): an
air compressor with air leaks. The windows have lost their row times; they are laid out evenly between their first and
last, as published.
"""

from __future__ import annotations

import csv
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from forensics.case.read import check_case
from forensics.errors import Problems
from forensics.intake import SourceResult, read_sources
from forensics.model.points import Samples
from forensics.model.vocabulary import Role

BAR_KPA = 100.0
AIR_KPA = 101.325


def window(shared: Path, folder: Path, name: str) -> SourceResult:
    """One window with its times laid out, read as a trend."""
    data = shared / "data" / "metropt3"
    with (data / "failure_windows.csv").open(encoding="utf-8", newline="") as stream:
        told = next(line for line in csv.DictReader(stream) if line["window"] == name)
    first, last = (datetime.fromisoformat(told[key]) for key in ("first_sample", "last_sample"))
    with (data / f"metropt3_failure_{name}_analog.csv").open(encoding="utf-8", newline="") as stream:
        header, *lines = csv.reader(stream)
    step = (last - first) / (len(lines) - 1)
    with (folder / "window.csv").open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(["Time", *header[1:]])
        for n, line in enumerate(lines):
            at = first + timedelta(seconds=round((n * step).total_seconds()))
            writer.writerow([at.isoformat(sep=" "), *line[1:]])
    case = {
        "schema": 1,
        "case": {"id": "air", "time_zone": "UTC"},
        "machine": {"refrigerant": "R134a", "altitude_m": 0.0},
        "source": [{"path": "window.csv"}],
        "point": [
            {"role": "oil_temperature", "column": "Oil_temperature", "unit": "degC"},
            {"role": "condenser_pressure", "column": "TP3", "unit": "barg"},
            {"role": "motor_amps", "column": "Motor_current", "unit": "A"},
        ],
    }
    problems = Problems()
    (reading,) = read_sources(check_case(case), folder, None, problems)
    assert reading.accounting.rows_kept == reading.accounting.rows_read == int(told["rows"]) == len(lines)
    return reading


def of(reading: SourceResult, role: Role) -> Samples:
    return next(samples for samples in reading.samples if samples.role is role)


# window, highest oil temperature and its row, rows with the line below 7 bar and the first of them
WINDOWS = [
    ("w1", 78.175, 5405, 0, None),
    ("w2", 76.650, 1761, 0, None),
    ("w3", 78.025, 9723, 128, 10_867),
    ("w4", 89.050, 498, 238, 1030),
]


@pytest.mark.parametrize(("name", "hottest", "at_row", "low", "first_low"), WINDOWS)
def test_a_failure_window(
    shared: Path, tmp_path: Path, name: str, hottest: float, at_row: int, low: int, first_low: int | None
) -> None:
    reading = window(shared, tmp_path, name)
    oil = of(reading, Role.OIL_TEMPERATURE)
    assert float(oil.v.max()) == pytest.approx(hottest)
    # source rows count from 1 and the header is the first
    assert int(oil.row[int(np.argmax(oil.v))]) == at_row + 2
    line_bar = (of(reading, Role.CONDENSER_PRESSURE).v - AIR_KPA) / BAR_KPA
    below = np.flatnonzero(line_bar < 7.0 - 1e-9)
    assert len(below) == low
    if first_low is not None:
        assert int(of(reading, Role.CONDENSER_PRESSURE).row[below[0]]) == first_low + 2
