"""The public Python interface: tables with units and UTC times, readings, cited rows, and limits weighed again."""

from __future__ import annotations

import doctest
import gzip
import importlib
import time
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

import forensics
from forensics.demo import DEMO_CASES
from forensics.errors import InputError
from forensics.model.findings import Finding
from forensics.report.bench_sheets import chosen_number
from forensics.workbook import Workbook, explore
from forensics.workbook.reweigh import tunable

CASE = DEMO_CASES["loaded-starts"]
TABLES = ("points", "starts", "stops", "events", "states", "clocks", "order", "findings", "hypotheses", "sources")


@pytest.fixture(scope="module")
def work() -> Workbook:
    return forensics.open_case(CASE)


@pytest.mark.parametrize("name", ["opened", "figures"])
def test_the_examples_of_the_interface_hold(name: str) -> None:
    done = doctest.testmod(importlib.import_module(f"forensics.workbook.{name}"))
    assert done.attempted
    assert not done.failed


def test_every_public_name_is_there() -> None:
    assert all(getattr(forensics, name) is not None for name in forensics.__all__)
    assert callable(forensics.seal)
    assert set(forensics.__all__) <= set(dir(forensics))
    with pytest.raises(AttributeError):
        _ = forensics.nothing


@pytest.mark.parametrize("name", TABLES)
def test_tables_hold_what_the_findings_file_holds(work: Workbook, name: str) -> None:
    table = getattr(work, name)
    assert isinstance(table, pd.DataFrame)
    if name != "points":
        assert len(table) == len(getattr(work.results, name))
    for column in [c for c in table.columns if str(c).endswith("_utc")]:
        assert str(table[column].dtype) == "datetime64[ns, UTC]"


def test_an_index_of_times_is_utc_and_units_stand_in_the_names(work: Workbook) -> None:
    assert str(work.events.index.dtype) == "datetime64[ns, UTC]"
    assert {"before_motor_amps_A", "before_motor_amps_age_s"} <= set(work.events.columns)
    assert work.starts.index[0].isoformat(timespec="milliseconds").replace("+00:00", "Z") == (
        work.results.starts[0].time_utc
    )


def test_raw_readings_are_those_of_the_point_and_a_grid_says_so(work: Workbook) -> None:
    point = work.sheet.investigation.record.samples[forensics.Role.MOTOR_AMPS][0]
    raw = work.frame("motor_amps", before=120, after=0)
    inside = (point.t >= work.sheet.investigation.record.failure_ns - 120 * 10**9) & (
        point.t < work.sheet.investigation.record.failure_ns
    )
    assert raw.index.name == "time_utc"
    assert raw["motor_amps_A"].tolist() == point.v[inside].tolist()
    grid = work.frame(["motor_amps", "trip"], every=30)
    assert grid.index.name == "grid_utc"
    assert "grid of 30 s" in grid.attrs["grid"]
    assert {(b - a).total_seconds() for a, b in pairwise(grid.index)} == {30.0}


def test_what_can_not_be_framed_is_all_named_at_once(work: Workbook) -> None:
    with pytest.raises(InputError) as fault:
        work.frame(["motor_ams", "vibration_velocity"])
    assert len(fault.value.problems) == 2
    assert "motor_amps" in str(fault.value)
    with pytest.raises(InputError, match="no time"):
        work.frame("motor_amps", around="yesterdayish")
    with pytest.raises(InputError, match="grid"):
        work.frame("motor_amps", every=0.0)


def test_rows_of_a_finding_stand_in_the_export_as_they_are_told(work: Workbook) -> None:
    finding = next(f for f in work.results.findings if f.cites and f.cites[0].source.endswith("trend.csv.gz"))
    rows = work.rows(finding.id)
    rows = rows[rows["source"] == finding.cites[0].source]
    lines = gzip.decompress((CASE.parent / finding.cites[0].source).read_bytes()).decode().splitlines()
    for line, text in zip(rows["line"][:20], rows["text"][:20], strict=True):
        assert lines[line - 1] == text
    with pytest.raises(InputError, match="nearest"):
        work.rows(finding.id[:-1])


def test_numbers_that_are_not_there_are_refused_with_the_range(work: Workbook) -> None:
    count = len(work.starts)
    for ask in (lambda: work.figure.start(count + 1), lambda: work.figure.start(0)):
        with pytest.raises(InputError, match=f"1 to {count}"):
            ask()
    starts = work.sheet.investigation.starts
    with pytest.raises(InputError, match=f"1 to {count}"):
        chosen_number(work.sheet, count + 1, starts, starts[-1], "start")


def test_a_figure_says_which_start_it_shows(work: Workbook) -> None:
    assert f"Start 2 of {len(work.starts)}" in work.figure.start(2).layout.meta["caption"]
    assert work.figure.starts().to_plotly_json()["data"]


def test_errors_show_themselves_in_a_notebook_as_one_short_list() -> None:
    with pytest.raises(InputError) as fault:
        forensics.open_case("nowhere/case.toml")
    assert len(fault.value._render_traceback_()) == 2


def test_a_limit_weighed_again_gives_the_verdict_of_a_new_run(work: Workbook) -> None:
    names = [n for n in tunable(work.sheet.investigation) if n in {f.limit_name for f in _decided(work)}]
    assert names
    for name in names[:2]:
        value = work.sheet.limits[name] * 1.2
        again, anew = work.weigh({name: value}), forensics.open_case(CASE, limits={name: value})
        assert (again.status, again.verdict) == (anew.verdict.status.value, anew.verdict.statement), name


def test_a_limit_is_weighed_again_while_a_hand_moves_its_slider(work: Workbook) -> None:
    can, _ = explore.deciding(work)
    assert can
    seconds = []
    for share in (0.9, 1.1, 1.2):
        began = time.process_time()
        work.weigh({can[0]: work.sheet.limits[can[0]] * share})
        seconds.append(time.process_time() - began)
    assert min(seconds) < 0.3


def _decided(work: Workbook) -> list[Finding]:
    ids = {name for h in work.results.hypotheses if h.mode is work.verdict.mode for name in (*h.for_, *h.against)}
    return [f for f in work.sheet.investigation.findings if f.id in ids]


def test_a_limit_that_needs_the_readings_shows_no_verdict(work: Workbook) -> None:
    again = work.weigh({"clocks.search_s": work.sheet.limits["clocks.search_s"] * 1.5})
    assert again.needs_reading == ("clocks.search_s",)
    assert not again.verdict
    assert "--limit clocks.search_s=" in again.command
    with pytest.raises(InputError, match="not a limit"):
        work.weigh({"clocks.serch_s": 1.0})


def test_the_overview_escapes_and_tells_verdict_and_sources(work: Workbook) -> None:
    shown = work._repr_html_()
    assert "unload-path-failed" in shown
    assert "exports/" in shown
    assert "<script" not in shown


def test_a_report_by_hand_takes_the_place_of_an_older_page(tmp_path: Path) -> None:
    work = forensics.open_case(DEMO_CASES["cannot-tell"])
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "report.html").write_text("no page of this program", encoding="utf-8")
    done = work.report(tmp_path / "out")
    assert "no page of this program" not in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert str(tmp_path / "out") in str(done)
    assert work.verdict.statement in str(done)
