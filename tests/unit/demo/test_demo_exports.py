"""Exports and case files of the demonstration machine say what the run was, on the clocks they state."""

from __future__ import annotations

import csv
import gzip
import json
import tomllib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from forensics.demo.__main__ import main
from forensics.demo.exports import (
    STANDARD_ROLES,
    CaseSheet,
    Clock,
    Export,
    standard_exports,
    write_case,
)
from forensics.demo.scenarios import Run, Scenario, short_run
from forensics.demo.waveforms import Record, waves, write_record

from forensics.case.read import read_case_file
from forensics.demo import DEMO_CASES

START = datetime(2031, 3, 3, 6, 0, 0, tzinfo=UTC)
ZONE = "America/Chicago"


def _rows(path: Path, delimiter: str = ",") -> list[list[str]]:
    data = path.read_bytes()
    text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode("utf-8")
    return list(csv.reader(text.splitlines(), delimiter=delimiter))


def _utc(stamp: str) -> datetime:
    return datetime.strptime(stamp, "%m/%d/%Y %H:%M:%S").replace(tzinfo=ZoneInfo(ZONE)).astimezone(UTC)


def test_case_file_is_accepted_and_binds_every_column(sound: Run, tmp_path: Path) -> None:
    path = write_case(sound, tmp_path)
    case = read_case_file(path)
    header = _rows(tmp_path / "exports/trend.csv")[0]
    bound = {point["column"] for point in tomllib.loads(path.read_text("utf-8"))["point"]}
    assert set(header[1:]) <= bound
    assert str(case.case.id) == "demo-none-5"


def test_trend_carries_the_values_in_the_units_it_names(sound: Run, tmp_path: Path) -> None:
    write_case(sound, tmp_path, start_utc=START)
    header, *rows = _rows(tmp_path / "exports/trend.csv")
    assert len(rows) == sound.time_s.size
    at = 400
    row = dict(zip(header, rows[at], strict=True))
    air_kpa = 101.325 * (1.0 - 2.25577e-5 * 180.0) ** 5.25588  # ISO 2533 at the height that the case states
    suction_psig = (sound.columns["suction_pressure"][at] - air_kpa) / 6.894757
    assert float(row["C1 Suction press"]) == pytest.approx(suction_psig, abs=0.06)
    assert float(row["C1 Oil temp"]) == pytest.approx(sound.columns["oil_temperature"][at] * 1.8 + 32.0, abs=0.06)
    assert _utc(row["Time"]) == START + timedelta(seconds=float(sound.time_s[at]))


def test_alarm_list_is_on_its_own_clock(sound: Run, tmp_path: Path) -> None:
    write_case(sound, tmp_path, start_utc=START)
    _, *rows = _rows(tmp_path / "exports/alarms.csv")
    begun = next(row for row in rows if row[1] == "C1 RUN" and row[2] == "ON")
    true_s = sound.truth["starts"][0]["time_s"]  # type: ignore[index]
    assert abs((_utc(begun[0]) - START).total_seconds() - (true_s + 95.0)) <= 1.0


def test_drift_adds_to_the_offset() -> None:
    assert Clock("a", 10.0, 50.0).shows_s(100_000.0) == pytest.approx(100_015.0)


def test_long_layout_holds_the_same_readings(sound: Run, tmp_path: Path) -> None:
    roles = ("motor_amps", "run_status")
    wide = Export("wide.csv", roles, every=10)
    write_case(sound, tmp_path, exports=(wide, replace(wide, path="long.csv", long=True)))
    _, *wide_rows = _rows(tmp_path / "wide.csv")
    _, *long_rows = _rows(tmp_path / "long.csv")
    assert [row[1] for row in wide_rows] == [row[2] for row in long_rows if row[1] == "C1 Motor amps"]
    assert len(long_rows) == 2 * len(wide_rows)


def test_decimal_comma_and_absolute_si_units(sound: Run, tmp_path: Path) -> None:
    style = Export("si.csv", STANDARD_ROLES, inch_pound=False, gauge=False, delimiter=";", decimal=",", every=60)
    path = write_case(sound, tmp_path, exports=(style,), sheet=CaseSheet("si", "t", "Plant", display="si"))
    header, first, *_ = _rows(tmp_path / "si.csv", ";")
    value = first[header.index("C1 Suction press")]
    assert "," in value
    shown = float(value.replace(",", "."))
    assert shown == pytest.approx(float(sound.columns["suction_pressure"][59]), abs=0.06)
    units = {p["role"]: p.get("unit") for p in tomllib.loads(path.read_text("utf-8"))["point"]}
    assert units["suction_pressure"] == "kPaa"


def test_spans_leave_the_rest_out(sound: Run, tmp_path: Path) -> None:
    spans = ((100.0, 200.0), (150.0, 250.0))
    write_case(sound, tmp_path, exports=(Export("part.csv", ("motor_amps",), spans_s=spans),))
    assert len(_rows(tmp_path / "part.csv")) == 151


def test_unusual_polarity_is_not_called_confirmed(tmp_path: Path) -> None:
    run = short_run("none", 5, cycles=1, base=Scenario(bypass_energised_shuts=False))
    case = tomllib.loads(write_case(run, tmp_path).read_text("utf-8"))
    assert case["machine"]["sequence_confirmed"] is False


def test_same_run_writes_the_same_bytes(sound: Run, tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_case(sound, tmp_path / name, exports=(Export("t.csv.gz", STANDARD_ROLES), standard_exports()[1]))
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert len(files) == 4
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()


def test_naive_start_and_unknown_role_are_refused(sound: Run, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="aware"):
        write_case(sound, tmp_path, start_utc=datetime(2031, 1, 1))
    with pytest.raises(ValueError, match="oil_colour"):
        write_case(sound, tmp_path, exports=(Export("x.csv", ("oil_colour",)),))


def test_command_line_writes_a_case_and_refuses_bad_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--out", str(tmp_path), "--fault", "high-head", "--hours", "0.4", "--interval", "5"]
    assert main(arguments) == 0
    assert Path(capsys.readouterr().out.strip()) == tmp_path / "case.toml"
    assert main([*arguments[:-1], "0.03"]) == 2
    assert "interval_s" in capsys.readouterr().err


def _space_vector(channels: list[np.ndarray]) -> np.ndarray:
    """Clarke transform of line-to-line voltages."""
    ab, bc, ca = channels[:3]
    return 2.0 / 3.0 * (ab - 0.5 * bc - 0.5 * ca) + 1j * (bc - ca) / np.sqrt(3.0)


@pytest.mark.parametrize(("fault", "sign"), [("none", 1.0), ("wrong-phase-sequence", -1.0)])
def test_phase_sequence_of_a_start_is_that_of_the_supply(fault: str, sign: float) -> None:
    run = short_run(fault, 5, cycles=1)
    begun = float(run.truth["starts"][0]["time_s"])  # type: ignore[index]
    _, channels, closed = waves(run, Record(begun - 0.2, begun + 4.0))
    turned = np.diff(np.unwrap(np.angle(_space_vector(channels)[closed][20:])))
    assert np.median(turned) * 960.0 / (2.0 * np.pi) == pytest.approx(60.0 * sign, abs=0.5)


def test_residual_voltage_shows_the_rotors_turning_back() -> None:
    run = short_run("bypass-not-released", 5, cycles=1)
    stop = run.truth["stops"][-1]  # type: ignore[index]
    record = Record(float(stop["time_s"]) - 0.5, float(stop["time_s"]) + 14.0, flux_time_s=8.0)
    times, channels, closed = waves(run, record)
    turned = np.gradient(np.unwrap(np.angle(_space_vector(channels)))) * record.rate_hz / (2.0 * np.pi)
    late = (times > float(stop["time_s"]) + 9.0) & (times < float(stop["time_s"]) + 11.0)
    assert not closed[late].any()
    rpm = np.interp(times[late], run.trace.time_s, run.trace.rpm)
    assert np.median(turned[late]) == pytest.approx(np.median(rpm) / 60.0, abs=0.7)
    assert np.median(turned[late]) < -4.0


def test_record_is_read_by_an_independent_reader(sound: Run, tmp_path: Path) -> None:
    comtrade = pytest.importorskip("comtrade")
    begun = float(sound.truth["starts"][1]["time_s"])  # type: ignore[index]
    record = Record(begun - 0.2, begun + 9.0, clock=Clock("recorder", 31.7))
    path = write_record(sound, record, tmp_path / "r.cfg", station="Demo", start_utc=START, time_zone=ZONE)
    read = comtrade.load(str(path))
    _, channels, closed = waves(sound, record)
    for got, made, lsb in zip(read.analog, channels, read.cfg.analog_channels, strict=True):
        assert np.abs(np.asarray(got) - made).max() <= 0.51 * lsb.a
    assert np.array_equal(np.asarray(read.status[0], dtype=bool), closed)
    first = (START + timedelta(seconds=begun - 0.2 + 31.7)).astimezone(ZoneInfo(ZONE)).replace(tzinfo=None)
    assert abs((read.start_timestamp - first).total_seconds()) < 1e-3


def test_record_away_from_starts_and_stops_is_refused(sound: Run) -> None:
    with pytest.raises(ValueError, match="around a start or stop"):
        waves(sound, Record(10.0, 20.0))


@pytest.mark.parametrize("name", ["loaded-starts", "healthy", "cannot-tell"])
def test_committed_case_is_whole(name: str) -> None:
    path = DEMO_CASES[name]
    case = tomllib.loads(path.read_text("utf-8"))
    read_case_file(path)
    for source in case["source"]:
        assert (path.parent / source["path"]).is_file()
    roles = {point["role"] for point in case["point"]}
    assert {"motor_amps", "run_status", "suction_pressure", "trip"} <= roles


def test_main_case_grows_from_unloaded_to_a_trip_on_a_loaded_start() -> None:
    told = json.loads((DEMO_CASES["loaded-starts"].parent / "truth.json").read_text("utf-8"))
    starts, stops = told["starts"], told["stops"]
    assert len(starts) >= 20
    assert starts[-1]["time_s"] > 4 * 86_400
    ratios = [s["ratio"] for s in starts]
    assert max(ratios[:10]) < 0.45
    assert min(ratios[-2:]) > 0.7
    assert stops[-1]["text"] == "Motor overload on start"
    assert told["clocks_minus_true"]["panel"]["offset_s"] != 0.0


def test_healthy_case_has_nothing_and_unknown_case_hides_what_happened() -> None:
    healthy = json.loads((DEMO_CASES["healthy"].parent / "truth.json").read_text("utf-8"))
    assert healthy["fault"] == "none"
    assert {s["kind"] for s in healthy["stops"]} == {"normal"}
    assert all(s["unloaded"] == "yes" for s in healthy["starts"])
    unknown = DEMO_CASES["cannot-tell"]
    assert json.loads((unknown.parent / "truth.json").read_text("utf-8"))["fault"] == "bypass-not-released"
    roles = {p["role"] for p in tomllib.loads(unknown.read_text("utf-8"))["point"]}
    assert "high_side_pressure" in roles
    assert not {"discharge_pressure", "condenser_pressure", "bypass_solenoid"} & roles


def test_committed_data_stays_small() -> None:
    size = sum(p.stat().st_size for c in DEMO_CASES.values() for p in c.parent.rglob("*") if p.is_file())
    assert size < 12e6


@pytest.mark.slow
def test_committed_cases_are_made_again_byte_for_byte(tmp_path: Path) -> None:
    assert main(["--cases", "--only", "cannot-tell", "--out", str(tmp_path)]) == 0
    kept = DEMO_CASES["cannot-tell"].parent
    for file in kept.rglob("*"):
        if file.is_file():
            assert (tmp_path / "cannot-tell" / file.relative_to(kept)).read_bytes() == file.read_bytes()
