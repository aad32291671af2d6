"""Reading large exports, as ratios against the library's own reader in the same run (marker ``bench``).

Processor time is compared as well as wall time: wall time on a shared machine measures the neighbours.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.bench
ROOT = Path(__file__).resolve().parent.parent.parent
DAYS, WALL_MAX, PEAK_MAX, WINDOW_MIB, LOG_MAX = 30, 1.2, 1.3, 300, 0.9
FILES_MAX, TWICE_MAX, CHECK_MAX, DRAFT_S = 1.1, 2.1, 2.0, 2.0
RUNS = 5

PROGRAM = """
import json, sys, time
import numpy as np, pandas as pd, pyarrow
from pyarrow import csv
from pathlib import Path
from forensics.case.read import check_case
from forensics.errors import Problems
from forensics.intake import read_sources
from forensics.model.points import Span
what, name = sys.argv[1], sys.argv[2]
folder, file = Path(name).parent, Path(name).name
NUMBERS = dict(n0=("suction_pressure", "barg"), n1=("discharge_pressure", "barg"), n2=("oil_pressure", "barg"),
    n3=("suction_temperature", "degC"),
    n4=("discharge_temperature", "degC"), n5=("oil_temperature", "degC"),
    n6=("motor_amps", "A"), n7=("vibration_velocity", "mm/s"), n8=("slide_position", "%"),
    n9=("chilled_water_leaving", "degC"))
STATES = dict(s0="run_status", s1="oil_heater", s2="load_solenoid", s3="bypass_solenoid", s4="unload_solenoid")
TEMPERATURES = ["suction_temperature", "discharge_temperature", "oil_temperature", "liquid_temperature",
    "ambient_temperature"]
def case(points):
    return check_case(dict(schema=1, case=dict(id="x", time_zone="UTC"),
        machine=dict(refrigerant="R134a", altitude_m=0.0),
        source=[dict(path=file)], point=points))
wide = [dict(role=r, column=c, unit=u) for c, (r, u) in NUMBERS.items()]
wide += [dict(role=r, column=c) for c, r in STATES.items()]
begin, processor = time.perf_counter(), time.process_time()
rows = 0
if what == "library":
    rows = len(pd.read_csv(name, parse_dates=["timestamp"]))
elif what in ("ours", "window", "days"):
    keep = None
    if what == "window":
        end = int(np.datetime64("2026-01-30", "ns").astype(np.int64))
        keep = Span(end - 86_400 * 10**9, end)
    problems = Problems()
    if what == "days":
        file = "day_*.csv"
    readings = read_sources(case(wide), folder, keep, problems)
    reading = readings[0]
    rows = sum(one.accounting.rows_read for one in readings)
    assert len(reading.samples) == 10 and len(reading.switches) == 5, list(map(str, problems))
elif what == "library-log":
    frame = pd.read_csv(name)
    frame["timestamp"] = pd.to_datetime(frame["timestamp"], format="ISO8601")
    stamps = pd.date_range("2026-01-01", "2026-01-31", freq="60s").as_unit(frame["timestamp"].dt.unit)
    grid = pd.DataFrame({"timestamp": stamps})
    for _, group in frame.groupby("point"):
        pd.merge_asof(grid, group[["timestamp", "value"]], on="timestamp")
    rows = len(frame)
elif what == "log":
    points = [dict(role=TEMPERATURES[i % 5], column=f"PT_{i:03d}", unit="degC", recorded="change") for i in range(200)]
    reading = read_sources(case(points), folder, None, Problems())[0]
    grid = int(np.datetime64("2026-01-01", "ns").astype(np.int64)) + np.arange(43_201) * 60 * 10**9
    for samples in reading.samples:
        samples.at(grid)
    rows = reading.accounting.rows_read
    assert len(reading.samples) == 200
peak = next(int(line.split()[1]) / 1024 for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(json.dumps(dict(rows=rows, wall_s=time.perf_counter() - begin, processor_s=time.process_time() - processor,
    peak_mib=peak)))
"""


def measure(what: str, file: Path) -> dict[str, float]:
    """Median of some runs, each in a process of its own."""
    runs = []
    for _ in range(RUNS):
        done = subprocess.run(
            [sys.executable, "-c", PROGRAM, what, str(file)],
            capture_output=True,
            text=True,
            check=True,
            env={"PYTHONPATH": str(ROOT), "PATH": ""},
        )
        runs.append(json.loads(done.stdout))
    return {key: float(np.median([run[key] for run in runs])) for key in runs[0]}


@pytest.fixture(scope="module")
def wide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty days at 1 s, 16 columns (seeded)."""
    return write_wide(tmp_path_factory.mktemp("bench") / "wide.csv", DAYS * 86_400)


def write_wide(file: Path, count: int) -> Path:
    import pyarrow as pa
    from pyarrow import csv

    rng = np.random.default_rng(20240117)
    stamps = np.datetime64("2026-01-01T00:00:00") + np.arange(count).astype("timedelta64[s]")
    columns: dict[str, np.ndarray] = {"timestamp": np.datetime_as_string(stamps)}
    for i, level in enumerate((3.1, 12.4, 5.2, 4.5, 72.3, 55.1, 132.4, 2.31, 71.3, 6.7)):
        columns[f"n{i}"] = np.round(level + np.cumsum(rng.standard_normal(count)) * 1e-4, 2)
    for i, share in enumerate((2e-5, 3e-5, 2e-3, 2e-3, 5e-3)):
        columns[f"s{i}"] = np.where((rng.random(count) < share).cumsum() % 2 == 0, "On", "Off")
    csv.write_csv(pa.table(columns), file, csv.WriteOptions(quoting_style="none", quoting_header="none"))
    return file


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A change-of-value log of 5 M rows and 200 points (seeded)."""
    import pyarrow as pa
    from pyarrow import csv

    rng = np.random.default_rng(20240118)
    count = 5_000_000
    file = tmp_path_factory.mktemp("bench") / "log.csv"
    stamps = np.datetime64("2026-01-01T00:00:00", "ms") + np.sort(rng.integers(0, 30 * 86_400_000, count)).astype(
        "timedelta64[ms]"
    )
    names = np.array([f"PT_{i:03d}" for i in range(200)])[rng.integers(0, 200, count)]
    values = np.round(50 + 10 * rng.standard_normal(count), 2)
    table = pa.table({"timestamp": np.datetime_as_string(stamps), "point": names, "value": values})
    csv.write_csv(table, file, csv.WriteOptions(quoting_style="none", quoting_header="none"))
    return file


def test_thirty_days_against_the_library(wide: Path) -> None:
    library, ours = measure("library", wide), measure("ours", wide)
    print(f"\nlibrary {library}\nours {ours}")
    assert ours["rows"] == library["rows"] == DAYS * 86_400
    assert ours["peak_mib"] <= PEAK_MAX * library["peak_mib"]
    assert ours["wall_s"] <= WALL_MAX * library["wall_s"]


def test_a_day_out_of_thirty_needs_little_memory(wide: Path) -> None:
    window = measure("window", wide)
    print(f"\nwindow {window}")
    assert window["peak_mib"] <= WINDOW_MIB


def test_a_change_log_against_read_and_join(log: Path) -> None:
    library, ours = measure("library-log", log), measure("log", log)
    print(f"\nlibrary {library}\nours {ours}")
    assert ours["rows"] == library["rows"]
    assert ours["wall_s"] <= LOG_MAX * library["wall_s"]


def test_time_grows_no_faster_than_rows(tmp_path: Path) -> None:
    small = measure("ours", write_wide(tmp_path / "small.csv", 400_000))
    large = measure("ours", write_wide(tmp_path / "large.csv", 1_600_000))
    print(f"\nsmall {small}\nlarge {large}")
    assert large["processor_s"] <= 4 * 1.3 * small["processor_s"]


def test_thirty_day_files_cost_as_much_as_the_one(wide: Path, tmp_path: Path) -> None:
    head, _, body = wide.read_bytes().partition(b"\n")
    lines = np.flatnonzero(np.frombuffer(body, np.uint8) == ord("\n")) + 1
    starts = np.concatenate(([0], lines[86_399::86_400]))
    for day, (start, end) in enumerate(pairwise(starts), start=1):
        (tmp_path / f"day_{day:02}.csv").write_bytes(head + b"\n" + body[start:end])
    (tmp_path / "wide.csv").symlink_to(wide)
    one, many = measure("ours", wide), measure("days", tmp_path / "wide.csv")
    print(f"\none {one}\nmany {many}")
    assert many["rows"] == one["rows"]
    assert many["wall_s"] <= FILES_MAX * one["wall_s"]


def test_sixty_days_cost_twice_thirty(wide: Path, tmp_path: Path) -> None:
    one, twice = measure("ours", wide), measure("ours", write_wide(tmp_path / "sixty.csv", 2 * DAYS * 86_400))
    print(f"\nthirty {one}\nsixty {twice}")
    assert twice["wall_s"] <= TWICE_MAX * one["wall_s"]


def whole_process(*arguments: str) -> float:
    """Processor time in s of a process and its children, the median of some runs."""
    spent = []
    for _ in range(RUNS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *arguments], check=True, capture_output=True, env={"PYTHONPATH": str(ROOT)})
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return float(np.median(spent))


def test_check_and_draft_as_whole_processes(wide: Path) -> None:
    points = "".join(
        f'[[point]]\nrole = "{role}"\ncolumn = "n{place}"\nunit = "{unit}"\n'
        for place, (role, unit) in enumerate([("suction_pressure", "barg"), ("discharge_pressure", "barg"),
            ("oil_pressure", "barg"), ("suction_temperature", "degC"), ("discharge_temperature", "degC"),
            ("oil_temperature", "degC"), ("motor_amps", "A"), ("vibration_velocity", "mm/s"),
            ("slide_position", "%"), ("chilled_water_leaving", "degC")])
    )  # fmt: skip
    case = wide.with_name("case.toml")
    case.write_text(
        'schema = 1\n[case]\nid = "x"\ntime_zone = "UTC"\nfailure = 2026-01-30T12:00:00\n[machine]\n'
        f'refrigerant = "R134a"\naltitude_m = 0.0\n[[source]]\npath = "wide.csv"\n{points}',
        encoding="utf-8",
    )
    library = whole_process("-c", f"import pandas; pandas.read_csv({str(wide)!r}, parse_dates=['timestamp'])")
    check, draft = (whole_process("-m", "forensics", *what) for what in (("check", str(case)), ("draft", str(wide))))
    print(f"\nlibrary {library:.2f} s, check {check:.2f} s, draft {draft:.2f} s of processor time")
    assert check <= CHECK_MAX * library
    assert draft <= DRAFT_S
