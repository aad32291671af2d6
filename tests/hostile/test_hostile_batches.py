"""Batches among whose case files are some that want to end, hold up or blow up the others."""

from __future__ import annotations

import functools
import os
import sys
import time
from pathlib import Path

import pytest
from finished_cases import write_case

from forensics.batch import BatchPlan, run_batch, worker
from forensics.batch import supervisor as watch
from forensics.batch.plan import plan_jobs
from forensics.errors import KernelDied, RunError, Stopped

UNIT = Path(__file__).resolve().parents[1] / "unit"
LIMIT_S = 4.0


@pytest.fixture
def _stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(map(str, (UNIT, UNIT.parents[1]))))
    stand_in = functools.partial(watch.Worker, (sys.executable, str(UNIT / "batch" / "child.py")))
    monkeypatch.setattr("forensics.batch.run.Worker", stand_in)
    for user in ("run", "job"):
        monkeypatch.setattr(f"forensics.batch.{user}.software_hash", lambda: "same")


HEAD = 'schema = 1\n[case]\nid = "x"\ntime_zone = "UTC"\n[machine]\nrefrigerant = "R134a"\n'
TEXTS = {
    "deep": "x = " + "[" * 50_000,
    "number": f"{HEAD}altitude_m = {'9' * 5_000}",
    "bytes": "\udcff\udcfe\x00",
    "table-as-id": "[case.id]\n",
    "list-as-id": "case = [1]\n",
    "path-as-id": '[case]\nid = "../../escape"\n',
    "long-id": f'[case]\nid = "{"i" * 5_000}"\n',
    "many-keys": HEAD + "".join(f"unknown_{n} = {n}\n" for n in range(15_000)),
    "empty": "",
}


def hostile(folder: Path) -> list[Path]:
    cases = []
    for name, text in TEXTS.items():
        (folder / name).mkdir(parents=True)
        case = folder / name / "case.toml"
        case.write_bytes(text.encode("utf-8", errors="surrogateescape"))
        cases.append(case)
    for name in ("pipe", "device", "folder", "huge"):
        (folder / name).mkdir()
    os.mkfifo(folder / "pipe" / "case.toml")
    (folder / "device" / "case.toml").symlink_to("/dev/zero")
    (folder / "folder" / "case.toml").mkdir()
    with (folder / "huge" / "case.toml").open("wb") as file:
        file.truncate(1 << 34)
    return [*cases, *(folder / name / "case.toml" for name in ("pipe", "device", "folder", "huge"))]


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices are those of a POSIX system")
@pytest.mark.usefixtures("_stand_in")
def test_every_case_gets_its_row_whatever_the_others_are(tmp_path: Path) -> None:
    bad = hostile(tmp_path / "bad")
    good = [write_case(tmp_path / name, name) for name in ("good-1", "good-2")]
    outcome = run_batch(BatchPlan((good[0], *bad, good[1]), tmp_path / "out", case_limit_s=LIMIT_S))
    results = {row.case: row for row in outcome.rows}
    assert [results[str(case)].result for case in good] == ["done", "done"]
    for case in bad:
        row = results[str(case.resolve())]
        assert row.result in {"to correct", "failed"}, row
        assert row.why
        assert row.wall_s < LIMIT_S + 10, row
    assert outcome.exit_code == 2
    assert not (tmp_path / "escape").exists()
    assert not (tmp_path / "out" / ".running").exists()


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices are those of a POSIX system")
def test_planning_opens_no_pipe_and_reads_no_more_than_a_case_file(tmp_path: Path) -> None:
    bad = hostile(tmp_path / "bad")
    began = time.process_time()
    jobs = plan_jobs(BatchPlan(tuple(bad), tmp_path / "out"), "software", "token")
    assert time.process_time() - began < 5
    assert len({job.name for job in jobs}) == len(bad)
    assert all(Path(job.out).parent == (tmp_path / "out").resolve() for job in jobs)


@pytest.mark.usefixtures("_stand_in")
def test_the_limit_covers_reading_and_checking_too(tmp_path: Path) -> None:
    """The run itself is never reached: 60,000 unknown keys are listed in time that grows with their square."""
    case = tmp_path / "slow" / "case.toml"
    case.parent.mkdir()
    case.write_text(HEAD + "".join(f"unknown_{n} = {n}\n" for n in range(60_000)), encoding="utf-8")
    began = time.monotonic()
    outcome = run_batch(BatchPlan((case,), tmp_path / "out", case_limit_s=2.0))
    assert outcome.rows[0].result in {"failed", "to correct"}
    assert time.monotonic() - began < 30
    if outcome.rows[0].result == "failed":
        assert "longer than --case-limit 2" in outcome.rows[0].why


def _dying(times: int, said: list[int]) -> object:
    def run_report(case: Path, out: Path) -> None:
        said.append(1)
        if len(said) <= times:
            import nbformat

            raise KernelDied(
                Stopped(3, 9, "the kernel stopped in cell 3 of incident.ipynb"), nbformat.v4.new_notebook()
            )

    return run_report


def test_a_kernel_that_died_is_told_and_tried_once_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int] = []
    monkeypatch.setattr("forensics.report.run_report", _dying(1, tried))
    answer = worker.run_one({"case": str(tmp_path / "case.toml"), "out": str(tmp_path / "out")})
    assert answer == {"result": "done", "note": "run a second time: the kernel stopped in cell 3 of incident.ipynb"}
    assert len(tried) == 2


def test_a_kernel_that_dies_twice_is_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int] = []
    monkeypatch.setattr("forensics.report.run_report", _dying(9, tried))
    answer = worker.run_one({"case": str(tmp_path / "case.toml"), "out": str(tmp_path / "out")})
    assert answer["result"] == "failed"
    assert "so did the kernel of a first try" in answer["why"]
    assert len(tried) == 2


def test_a_failure_of_another_kind_is_not_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int] = []

    def run_report(case: Path, out: Path) -> None:
        tried.append(1)
        raise RunError("stopped at cell 3 of 9")

    monkeypatch.setattr("forensics.report.run_report", run_report)
    assert worker.run_one({"case": "c", "out": "o"})["result"] == "failed"
    assert len(tried) == 1
