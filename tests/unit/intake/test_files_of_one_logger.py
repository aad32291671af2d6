"""The files of one logger are one source: joined in time, overlaps once and told, gaps told, each with its account.

All exports here are invented.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from intake_reading import Read, read_case, utc

from forensics.errors import Severity

HEADER = "Time,Amps,Load"
POINTS = [("motor_amps", "Amps", {"unit": "A"}), ("load_solenoid", "Load")]


def rows(day: int, first: int, last: int, *, step: int = 10, offset: float = 0.0) -> list[str]:
    """Records of one day from a minute to another; the amps tell the minute of the month."""
    return [
        f"2031-03-{day:02} {m // 60:02}:{m % 60:02}:00,{day * 1440 + m + offset:.1f},{'On' if m % 20 else 'Off'}"
        for m in range(first, last, step)
    ]


def write(folder: Path, name: str, lines: list[str], header: str = HEADER) -> None:
    (folder / name).write_text("\n".join([header, *lines] if header else lines) + "\n", encoding="utf-8")


def sums(read: Read) -> None:
    for reading in read.readings:
        counts = reading.accounting
        assert counts.rows_read == counts.rows_kept + sum(counts.set_aside.values())


def days(folder: Path, count: int = 3) -> None:
    for day in range(1, count + 1):
        write(folder, f"day_{day}.csv", rows(day, 0, 1440))


def test_a_pattern_joins_the_files_of_a_logger_in_time_order(tmp_path: Path) -> None:
    days(tmp_path, 11)  # day_10 and day_11 stand before day_2 by letters
    read = read_case(tmp_path, ["day_*.csv"], POINTS)
    amps = read.samples("motor_amps")
    assert len(amps) == 11 * 144
    assert (np.diff(amps.t) == 600 * 10**9).all()
    assert amps.v.tolist() == sorted(amps.v.tolist())
    assert amps.origin.source == "day_*.csv"
    assert [reading.exhibit.path for reading in read.readings] == [f"day_{n}.csv" for n in range(1, 12)]
    assert all(reading.joined_as == "day_*.csv" and reading.accounting.rows_kept == 144 for reading in read.readings)
    assert read.readings[3].exhibit.sha256 == hashlib.sha256((tmp_path / "day_4.csv").read_bytes()).hexdigest()
    assert not read.said()
    sums(read)


def test_sources_of_one_clock_with_the_same_columns_are_one(tmp_path: Path) -> None:
    days(tmp_path, 2)
    named = [(role, column, {**(more[0] if more else {}), "source": "day_2.csv"}) for role, column, *more in POINTS]
    for points in (POINTS, named):
        read = read_case(tmp_path, ["day_2.csv", "day_1.csv"], points, source={"clock": "controller"})
        assert len(read.samples("motor_amps")) == len(read.switch("load_solenoid")) == 288
        assert {reading.exhibit.path for reading in read.readings} == {"day_1.csv", "day_2.csv"}
        assert not read.said()
        sums(read)


def test_rows_that_stand_in_two_files_count_once_and_it_is_told(tmp_path: Path) -> None:
    write(tmp_path, "part1.csv", rows(1, 0, 700))
    write(tmp_path, "part2.csv", rows(1, 600, 1440))
    read = read_case(tmp_path, ["part*.csv"], POINTS)
    amps = read.samples("motor_amps")
    assert len(amps) == 144
    assert (np.diff(amps.t) > 0).all()
    assert sum(reading.accounting.set_aside.get("duplicate", 0) for reading in read.readings) == 10
    assert "part1.csv and part2.csv overlap: 10 rows that stand in both count once" in read.notes()
    assert "set back" not in read.notes()
    sums(read)


def test_a_gap_between_files_is_told_and_not_filled(tmp_path: Path) -> None:
    write(tmp_path, "day_1.csv", rows(1, 0, 1440))
    write(tmp_path, "day_3.csv", rows(3, 0, 1440))
    read = read_case(tmp_path, ["day_*.csv"], POINTS)
    assert "no file covers 2031-03-01T23:50:00.000Z to 2031-03-03T00:00:00.000Z (24.17 h)" in read.notes()
    assert len(read.samples("motor_amps")) == 288


def test_files_of_two_machines_are_not_one_log(tmp_path: Path) -> None:
    write(tmp_path, "c1.csv", rows(1, 0, 1440))
    write(tmp_path, "c2.csv", rows(1, 0, 1440, offset=0.5))
    pattern = read_case(tmp_path, ["c*.csv"], POINTS)
    assert "c1.csv and c2.csv both cover" in pattern.said(Severity.POINT)
    assert not pattern.roles()
    sums(pattern)
    points = [(role, column, {**(more[0] if more else {}), "source": "c1.csv"}) for role, column, *more in POINTS]
    one_clock = read_case(tmp_path, ["c1.csv", "c2.csv"], points, source={"clock": "controller"})
    assert len(one_clock.samples("motor_amps")) == 144
    assert one_clock.samples("motor_amps").v[0] == 1440.0
    assert not one_clock.said()


def test_newest_first_files_are_joined_too(tmp_path: Path) -> None:
    for day in (1, 2, 3):
        write(tmp_path, f"day_{day}.csv", rows(day, 0, 1440)[::-1])
    amps = read_case(tmp_path, ["day_*.csv"], POINTS).samples("motor_amps")
    assert amps.v.tolist() == sorted(amps.v.tolist())
    assert len(amps) == 432


def test_columns_are_found_by_name_in_each_file(tmp_path: Path) -> None:
    write(tmp_path, "a1.csv", rows(1, 0, 1440))
    swapped = [",".join(line.split(",")[i] for i in (2, 0, 1)) for line in rows(2, 0, 1440)]
    write(tmp_path, "a2.csv", swapped, "Load,Time,Amps")
    write(tmp_path, "a3.csv", [line.rpartition(",")[0] for line in rows(3, 0, 1440)], "Time,Amps")
    write(tmp_path, "a4.csv", rows(4, 0, 1440), header="")  # cut by size: no header in what follows
    read = read_case(tmp_path, ["a*.csv"], POINTS)
    amps, load = read.samples("motor_amps"), read.switch("load_solenoid")
    assert len(amps) == 4 * 144
    assert amps.v.tolist() == sorted(amps.v.tolist())
    assert (load.state[288:432] == -1).all()
    assert "a3.csv: it has no column 'Load'" in read.said(Severity.NOTE)
    assert [sum(reading.accounting.cells_missing.values()) for reading in read.readings] == [0, 0, 144, 0]


def test_a_file_of_another_table_is_left_out_and_said(tmp_path: Path) -> None:
    days(tmp_path, 2)
    write(tmp_path, "day_note.csv", ["2031-03-01 05:00:00,Filter changed"], "When,What")
    read = read_case(tmp_path, ["day_*.csv"], POINTS)
    assert len(read.samples("motor_amps")) == 288
    assert "day_note.csv" in read.said(Severity.POINT)
    assert "not those of the other files" in read.said(Severity.POINT)


def test_long_change_logs_are_joined_by_point(tmp_path: Path) -> None:
    for day in (1, 2):
        lines = []
        for m in range(0, 1440, 7):
            stamp = f"2031-03-{day:02} {m // 60:02}:{m % 60:02}:{m % 50:02}"
            lines.append(f"{stamp},C1 Amps,{100 + m % 9 + day / 10:.1f}")
            lines.append(f"{stamp},C1 Load,{'On' if m % 2 else 'Off'}")
        write(tmp_path, f"log_{day}.csv", lines, "Time,Point,Value")
    points = [("motor_amps", "C1 Amps", {"unit": "A"}), ("load_solenoid", "C1 Load")]
    read = read_case(tmp_path, ["log_*.csv"], points)
    assert len(read.samples("motor_amps")) == len(read.switch("load_solenoid")) == 412
    assert all(reading.accounting.rows_kept == 412 for reading in read.readings)
    assert not read.said()


def test_an_order_of_day_and_month_that_one_file_leaves_open_is_settled_by_another(tmp_path: Path) -> None:
    for day in (11, 12, 13):
        lines = [f"{day:02}/03/2031 {h:02}:00:00,{day * 100 + h}.5,On" for h in range(24)]
        write(tmp_path, f"d{day}.csv", lines)
    read = read_case(tmp_path, ["d1*.csv"], POINTS)
    assert utc(read.samples("motor_amps"))[0] == "2031-03-11T00:00:00"
    assert len(read.samples("motor_amps")) == 72
    assert not read.said()


def test_a_question_names_the_file_and_line(tmp_path: Path) -> None:
    days(tmp_path, 2)
    text = (tmp_path / "day_2.csv").read_text(encoding="utf-8").splitlines()
    text[7] = text[7].replace("On", "Hand").replace("Off", "Hand")
    (tmp_path / "day_2.csv").write_text("\n".join(text) + "\n", encoding="utf-8")
    said = read_case(tmp_path, ["day_*.csv"], POINTS).said(Severity.POINT)
    assert "day_2.csv line 8 column 'Load': what does 'Hand' mean" in said


def test_a_file_that_is_empty_or_damaged_does_not_take_the_others_away(tmp_path: Path) -> None:
    days(tmp_path, 2)
    (tmp_path / "day_3.csv").write_bytes(b"")
    write(tmp_path, "day_4.csv", [])
    read = read_case(tmp_path, ["day_*.csv"], POINTS)
    assert len(read.samples("motor_amps")) == 288
    assert "day_3.csv: the file is empty" in read.said(Severity.POINT)
    assert "day_4.csv" in read.said(Severity.POINT)
    assert {reading.exhibit.path for reading in read.readings} == {f"day_{n}.csv" for n in (1, 2, 3, 4)}


def test_a_hash_a_file_is_held_against_it(tmp_path: Path) -> None:
    days(tmp_path, 2)
    right = hashlib.sha256((tmp_path / "day_1.csv").read_bytes()).hexdigest()
    told = {"sha256": {"day_1.csv": right, "day_2.csv": right}}
    said = read_case(tmp_path, ["day_*.csv"], POINTS, source=told).said(Severity.STOP)
    assert "day_2.csv: its SHA-256 is" in said
    assert "day_1.csv" not in said


def test_a_pattern_that_fits_nothing_stops_the_case(tmp_path: Path) -> None:
    assert "no file fits this pattern" in read_case(tmp_path, ["day_*.csv"], POINTS).said(Severity.STOP)


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Chicago"])
def test_the_hour_that_comes_twice_is_settled_across_files(tmp_path: Path, zone: str) -> None:
    day, first = (26, "02") if zone.startswith("Europe") else (2, "01")
    month = "10" if zone.startswith("Europe") else "11"
    one = [f"2031-{month}-{day:02} {first}:{m:02}:00,{m}.0,On" for m in range(0, 60, 10)]
    two = [f"2031-{month}-{day:02} {first}:{m:02}:00,{m}.5,On" for m in range(0, 60, 10)]
    write(tmp_path, "h1.csv", one)
    write(tmp_path, "h2.csv", two)
    amps = read_case(tmp_path, ["h1.csv", "h2.csv"], POINTS, zone=zone, source={"clock": "c"}).samples("motor_amps")
    assert (np.diff(amps.t) == 600 * 10**9).all()
    assert amps.v.tolist() == [0, 10, 20, 30, 40, 50, 0.5, 10.5, 20.5, 30.5, 40.5, 50.5]
