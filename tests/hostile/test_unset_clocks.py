"""Rows of a clock that was not set are set aside with that reason: they stretch no record, and no run hangs on them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from case_folders import CASE, bounded, changed, rows, write_folder
from numpy.typing import NDArray

from forensics.intake.load_case import load_case
from forensics.intake.unset_clocks import NOT_SET, clock_not_set
from forensics.investigation import judge
from forensics.model.where_sampled import steps_where_sampled

NS = 10**9
DAY_NS = 86_400 * NS
STRAY = (
    "1970-01-01 00:00:05",
    "1979-12-31 23:59:59",
    "1980-01-06 00:00:00",
    "2000-01-01 00:00:03",
    "2021-03-14 04:20:01",
    "2030-03-10 04:20:00",
    "2150-01-01 00:00:00",
    "2199-12-31 00:00:00",
    "2200-01-01 00:00:00",
    "2261-01-01 00:00:00",
)


def _ns(*stamp: int) -> int:
    return int(datetime(*stamp, tzinfo=UTC).timestamp()) * NS  # type: ignore[arg-type,misc]


def _minutes(first: int, count: int) -> NDArray[np.int64]:
    return first + np.arange(count, dtype=np.int64) * 60 * NS


MAIN = _minutes(_ns(2031, 3, 14), 500)


@pytest.mark.parametrize("stray", STRAY)
@pytest.mark.parametrize("bound", [True, False], ids=["failure given", "trip found"])
def test_a_stray_stamp_is_set_aside_and_nothing_hangs(tmp_path: Path, stray: str, *, bound: bool) -> None:
    text = CASE if bound else changed("failure = 2031-03-14T05:20:00Z\n", "")
    if not bound:
        text += '[[point]]\nrole = "trip"\ncolumn = "Trip"\n'
    case = write_folder(tmp_path / "case", text)
    table = [f"{row},{'Trip' if n == 0 else ('On' if n > 740 else 'Off')}" for n, row in enumerate(rows())]
    with bounded() as clean:
        (case.parent / "exports" / "trend.csv").write_text("\n".join(table), encoding="utf-8")
        before = judge(load_case(case))
    table[200] = ",".join([stray, *table[200].split(",")[1:]])
    (case.parent / "exports" / "trend.csv").write_text("\n".join(table), encoding="utf-8")
    with bounded() as clock:
        work = judge(load_case(case))
    assert clock.seconds < 2 * clean.seconds + 0.5
    counts = work.readings[0].accounting
    late = int(stray[:4]) > 2031 and bound  # after the window: left out before it is looked at
    assert counts.set_aside in ({NOT_SET: 1}, {"outside window": 1} if late else {NOT_SET: 1})
    assert work.weighing.verdict.status is before.weighing.verdict.status
    if not late:
        (row,) = counts.listed
        assert (row.row, row.reason) == (201, NOT_SET)
        assert any("clock was not set" in problem.what for problem in work.problems)


def test_rows_within_a_year_of_others_stay() -> None:
    for offset in (0, 1, 300, 365):
        assert not clock_not_set(np.concatenate(([MAIN[0] - offset * DAY_NS], MAIN)), None).any()


def test_a_single_row_years_away_is_set_aside() -> None:
    for offset in (367, 4_000, -367):
        wrong = clock_not_set(np.concatenate(([MAIN[0] - offset * DAY_NS], MAIN)), None)
        assert wrong.tolist() == [True] + [False] * len(MAIN) or offset < 0


@pytest.mark.parametrize("year", [1980, 1990, 2000, 2010])
@pytest.mark.parametrize("hours", [-12, 0, 14])
def test_a_logger_that_began_again_with_a_year(year: int, hours: int) -> None:
    began = _ns(year, 1, 1) + hours * 3600 * NS
    wrong = clock_not_set(np.concatenate((_minutes(began, 40), MAIN)), MAIN[-1])
    assert wrong[40:].sum() == 0
    assert wrong[:40].all() or (year == 1980 and hours < 0)


def test_an_older_season_is_no_unset_clock() -> None:
    older = _minutes(_ns(2028, 6, 3), 40)
    assert not clock_not_set(np.concatenate((older, MAIN)), None).any()


def test_what_the_failure_lies_in_stays() -> None:
    lone = np.array([_ns(2029, 7, 1)])
    assert not clock_not_set(np.concatenate((lone, MAIN)), int(lone[0])).any()
    assert clock_not_set(np.concatenate((lone, MAIN)), None)[0]


def test_two_rows_years_apart_are_not_both_taken_away() -> None:
    assert not clock_not_set(np.array([_ns(2025, 1, 1), _ns(2031, 1, 1)]), None).any()


def test_a_file_before_1980_is_set_aside_whole() -> None:
    assert clock_not_set(_minutes(_ns(1970, 1, 1), 100), None).all()
    assert clock_not_set(np.zeros(0, np.int64), None).tolist() == []


def test_a_grid_is_whole_where_there_is_no_gap() -> None:
    step, first = 10 * NS, int(MAIN[0])
    whole = np.arange(first, int(MAIN[-1]) + 1, step, dtype=np.int64)
    assert (steps_where_sampled(MAIN, step, first, int(MAIN[-1])) == whole).all()
    assert not len(steps_where_sampled(MAIN, step, first, first - 1))


@pytest.mark.parametrize("gap_days", [8, 400, 22_000])
def test_a_grid_leaves_a_gap_out_and_keeps_its_beat(gap_days: int) -> None:
    t = np.concatenate((MAIN, MAIN + gap_days * DAY_NS + 3 * NS))
    step = 10 * NS
    with bounded() as clock:
        grid = steps_where_sampled(t, step, int(t[0]), int(t[-1]))
    assert clock.seconds < 1
    whole = (grid - t[0]) % step
    assert not whole.any()
    assert (np.diff(grid) > 0).all()
    behind = grid - t[np.searchsorted(t, grid, side="right") - 1]
    assert behind.max() <= 7 * DAY_NS
    # every time of the whole grid that lies within a week of a reading is there
    some = np.random.default_rng(1).integers(0, (t[-1] - t[0]) // step, 5_000) * step + t[0]
    near = some[some - t[np.searchsorted(t, some, side="right") - 1] <= 7 * DAY_NS]
    assert np.isin(near, grid).all()


def test_the_shared_incident_with_a_stray_row_takes_no_longer(tmp_path: Path, shared: Path) -> None:
    import shutil

    folder = shared / "incidents" / "cases" / "case-19"
    if not folder.is_dir():
        pytest.skip("the shared incident is not here")
    shutil.copytree(folder, tmp_path / "case")
    case = tmp_path / "case" / "case.toml"
    with bounded(120) as clean:
        before = judge(load_case(case))
    import gzip

    path = max((tmp_path / "case" / "exports").iterdir(), key=lambda file: file.stat().st_size)
    packed = path.suffix == ".gz"
    lines = (gzip.decompress(path.read_bytes()) if packed else path.read_bytes()).decode().splitlines()
    year = str(datetime.fromtimestamp(before.record.failure_ns / NS, UTC).year)
    lines[100] = lines[100].replace(year, "1970", 1)
    text = "\n".join(lines).encode()
    path.write_bytes(gzip.compress(text) if packed else text)
    with bounded(120) as clock:
        work = judge(load_case(case))
    assert clock.seconds < 2 * clean.seconds + 0.5
    assert work.weighing.verdict.status is before.weighing.verdict.status
    assert sum(reading.accounting.set_aside.get(NOT_SET, 0) for reading in work.readings) == 1


def test_a_window_of_a_century_is_answered(tmp_path: Path) -> None:
    text = changed('window_before = "1h"', 'window_before = "36525d"')
    case = write_folder(tmp_path / "case", text)
    with bounded() as clock:
        judge(load_case(case))
    assert clock.seconds < 5


@pytest.mark.parametrize(("year", "read"), [("1970", False), ("1979", False), ("2031", True), ("2210", False)])
def test_a_waveform_of_a_clock_that_was_not_set_is_left_out(
    tmp_path: Path, root: Path, year: str, *, read: bool
) -> None:
    import shutil

    shutil.copytree(root / "data_demo" / "cases" / "loaded-starts", tmp_path / "case")
    cfg = tmp_path / "case" / "waveforms" / "trip_on_start.cfg"
    text = cfg.read_text(encoding="utf-8")
    assert "/2031," in text
    cfg.write_text(text.replace("/2031,", f"/{year},"), encoding="utf-8")
    case = load_case(tmp_path / "case" / "case.toml")
    assert bool(case.record.waveforms) is read
    assert read is not any("clock was not set" in problem.what for problem in case.problems)
