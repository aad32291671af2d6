"""Cases of the study: what a site hands over, and that the case in memory is the case that is read from its folder."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from forensics.demo.study import BUILDS, simulate
from forensics.demo.study.folder import write_study_case
from forensics.demo.study.sampling import StudyCase
from forensics.demo.study.site import Clock, Dirt
from forensics.demo.study.texts import Sheet
from forensics.demo.study.workbook import as_case, weighed

from forensics.intake.load_case import load_case
from forensics.investigation import investigate
from tests.unit.demo.study_runs import made


def test_slow_logs_are_thinned_from_the_finest() -> None:
    sim = made()
    fine, slow = sim.case(sampling=0.5).logs[0], sim.case(sampling=30.0).logs[0]
    at = np.searchsorted(fine.stamps_s["motor_amps"], slow.stamps_s["motor_amps"])
    for role in ("motor_amps", "suction_pressure", "load_solenoid"):
        assert np.array_equal(fine.values[role][at], slow.values[role])


def test_an_average_is_the_mean_of_the_interval_that_ends_with_it() -> None:
    sim = made()
    fine = sim.case(sampling=0.5).logs[0].values["motor_amps"]
    mean = sim.case(sampling=10.0, recorded="average").logs[0].values["motor_amps"]
    first = sim.seed % 20
    for n in (50, 700, 1500):
        end = first + 20 * n
        assert mean[n] == pytest.approx(fine[end - 19 : end + 1].mean())


def test_a_change_log_holds_what_was_within_its_band() -> None:
    log = made().case(sampling=1.0, recorded="change").logs[0]
    whole = made().case(sampling=0.5).logs[0]
    assert len(log.values["motor_amps"]) < 0.4 * len(whole.values["motor_amps"])
    index = np.searchsorted(log.stamps_s["motor_amps"], whole.stamps_s["motor_amps"], side="right") - 1
    band = np.ptp(whole.values["motor_amps"]) / 250.0
    assert np.abs(log.values["motor_amps"][index] - whole.values["motor_amps"]).max() <= band + 1e-6
    for role in ("run_status", "unload_solenoid"):
        edges = int(np.abs(np.diff(whole.values[role])).sum())
        assert int(np.abs(np.diff(log.values[role])).sum()) == edges


def test_clocks_are_off_as_stated() -> None:
    clocks = {"controller": Clock("controller", 12.0, 50.0), "panel": Clock("panel", -300.0)}
    moved, plain = made().case(clocks=clocks, dirt="clean"), made().case(dirt="clean", clocks={"panel": Clock("panel")})
    true_s = plain.logs[0].stamps_s["motor_amps"]
    shift = moved.logs[0].stamps_s["motor_amps"] - true_s
    assert shift[0] == pytest.approx(12.0, abs=1e-3)
    assert shift[-1] - shift[0] == pytest.approx(50e-6 * (true_s[-1] - true_s[0]))
    late = [a.time_s - b.time_s for a, b in zip(moved.alarms, plain.alarms, strict=True)]
    assert late == pytest.approx([-300.0] * len(late))


def test_alarms_come_late_at_scans_and_by_index() -> None:
    sim = made("pulsed-bypass", "high-head")
    case = sim.case(dirt=Dirt(scan_s=5.0, late_s=4.0), clocks={"panel": Clock("panel")})
    stamps = [line.time_s for line in case.alarms]
    assert all(stamp % 5.0 == 0.0 for stamp in stamps)
    assert stamps == sorted(stamps)
    told = {(e.point, e.state, e.text): [] for e in sim.events}
    for event in sim.events:
        told[event.point, event.state, event.text].append(event.time_s)
    for line in case.alarms:
        assert any(0.0 <= line.time_s - t <= 9.0 for t in told[line.point, line.state, line.text])
    trip_s = next(line.time_s for line in case.alarms if line.point == "TRIP")
    points = [line.point for line in case.alarms if line.time_s == trip_s]
    assert points == sorted(points, key=("TRIP", "SUPPLY", "STATUS", "RUN").index)


def test_rough_sites_lose_rows_and_swapped_sensors_show_nothing() -> None:
    sim = simulate("pulsed-bypass", seed=6, hours=6.0, disturbances=("sensor-swap",))
    clean, rough = sim.case(points="all", dirt="clean").logs[0], sim.case(points="all", dirt="rough").logs[0]
    assert len(rough.values["motor_amps"]) < len(clean.values["motor_amps"]) - 1000
    role = sim.swaps[0][0]
    assert 100 < np.isnan(clean.values[role]).sum() < 800
    steps = np.unique(np.round(np.diff(np.unique(rough.values["suction_pressure"])), 3))
    assert steps.min() == pytest.approx(1.5)


def test_points_can_be_taken_away() -> None:
    whole, less = made().case(), made().case(without=("slide_position", "bypass_solenoid"))
    assert set(whole.logs[0].roles) - set(less.logs[0].roles) == {"slide_position", "bypass_solenoid"}


def test_a_fast_log_stands_around_starts_and_stops_only() -> None:
    case = made().case(sampling=10.0, fast_s=0.5, dirt="clean")
    trend, fast = case.logs
    assert fast.clock.name == "logger"
    assert len(fast.values["motor_amps"]) < 0.5 * len(trend.values["motor_amps"]) * 20


def test_wrong_words_are_told() -> None:
    for how, words in (
        ({"sampling": 0.7}, "multiple of 0.5"),
        ({"points": "none"}, "points 'none' is not one of"),
        ({"points": ("motor_ampere",)}, "motor_ampere"),
        ({"dirt": "filthy"}, "dirt 'filthy'"),
        ({"recorded": "sometimes"}, "recorded 'sometimes'"),
    ):
        with pytest.raises(ValueError, match=words):
            made().case(**how)


@pytest.mark.parametrize(
    ("build", "how"),
    [
        ("pulsed-bypass", {"sampling": 5.0}),
        ("unload-normally-open", {"sampling": 2.0, "dirt": "rough", "points": "all"}),
        ("ammonia-pumped", {"sampling": 10.0, "fast_s": 1.0, "clocks": {"logger": Clock("logger", 7.0, 20.0)}}),
    ],
)
def test_the_case_in_memory_is_the_case_that_is_read(tmp_path: Path, build: str, how: dict[str, object]) -> None:
    case = made(build, "bypass-not-released").case(**how)
    read, held = load_case(write_study_case(case, tmp_path)).record, as_case(case).record
    assert (read.window, read.history, read.failure_ns) == (held.window, held.history, held.failure_ns)
    assert read.samples.keys() == held.samples.keys()
    assert read.switches.keys() == held.switches.keys()
    for role, found in read.samples.items():
        for one, other in zip(found, held.samples[role], strict=True):
            assert one.origin == other.origin
            assert np.array_equal(one.t, other.t)
            assert np.array_equal(one.row, other.row)
            assert np.allclose(one.v, other.v, rtol=0.0, atol=1e-6, equal_nan=True)
    for role, switches in read.switches.items():
        for one, other in zip(switches, held.switches[role], strict=True):
            assert one.origin == other.origin
            assert np.array_equal(one.t, other.t)
            assert np.array_equal(one.state, other.state)
    lines = [[(x.time_ns, x.point, x.value, x.text) for x in record.log] for record in (read, held)]
    assert lines[0] == lines[1]


def test_a_case_is_judged_without_disk_as_it_is_from_its_folder(tmp_path: Path) -> None:
    case = made("pulsed-bypass", "discharge-overheating").case(sampling=5.0)
    told = investigate(write_study_case(case, tmp_path)).weighing
    assert weighed(case).verdict == told.verdict


def test_folder_of_an_inch_pound_site_with_a_file_a_day(tmp_path: Path) -> None:
    case = made("blend-economised").case(sampling=30.0)
    sheet = Sheet(inch_pound=True, display="inch-pound", date_pattern="%m/%d/%Y %H:%M:%S", day_files=True)
    path = write_study_case(case, tmp_path, sheet=sheet)
    document = tomllib.loads(path.read_text("utf-8"))
    units = {point["role"]: point.get("unit") for point in document["point"]}
    assert units["suction_pressure"] == "psig"
    assert units["oil_temperature"] == "degF"
    assert document["source"][0]["path"] == "exports/trend_*.csv"
    days = sorted((tmp_path / "exports").glob("trend_*.csv"))
    assert len(days) == len({line.split(" ")[0] for day in days for line in day.read_text().splitlines()[1:]}) >= 1
    assert (tmp_path / "sequence.toml").is_file()


def test_same_folder_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_study_case(simulate("steps-three", "low-suction", seed=4, hours=4.0).case(sampling=20.0), tmp_path / name)
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert len(files) == 5
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()


@pytest.mark.parametrize("build", sorted(BUILDS))
def test_each_build_gives_a_case_that_the_workbook_takes(build: str) -> None:
    case: StudyCase = made(build).case(sampling=30.0)
    held = as_case(case)
    assert held.profile.id == build
    assert held.record.samples
    assert held.saturation is not None
