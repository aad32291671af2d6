"""A cluster that loses its machines in the midst: a case is run again or named, and nothing is lost."""

from __future__ import annotations

import csv
import subprocess
from pathlib import Path

import psutil
import pytest

from batch.started import ByHand, by_hand, cases, command, end, free_port, marked, until, whole_results
from forensics.batch import BatchPlan, run_batch

pytestmark = pytest.mark.slow
pytest.importorskip("distributed")


def _begin(tmp_path: Path, cluster: ByHand, *names: str) -> tuple[subprocess.Popen[str], Path]:
    """A batch whose first case is done and whose second one runs, and waits."""
    out = tmp_path / "out"
    given = cases(tmp_path, *names)
    process = command("batch", *given, "--out", out, "--scheduler", cluster.address, mark=tmp_path)
    try:
        until(lambda: list(out.glob("good-*/run.json")) and list(out.glob(".running/*/wait-*")), "no case runs")
    except BaseException:
        end(process)
        raise
    return process, out


def _go(tmp_path: Path) -> None:
    for case in tmp_path.glob("*/case.toml"):
        (case.parent / "go").touch()


def _said(process: subprocess.Popen[str], out: Path) -> tuple[int, dict[str, tuple[str, str]]]:
    try:
        _, complained = process.communicate(timeout=120)
    finally:
        end(process)
    assert "Traceback" not in complained, complained
    with (out / "batch.csv").open(encoding="utf-8") as file:
        return process.returncode, {row["case"]: (row["result"], row["why"]) for row in csv.DictReader(file)}


def test_a_worker_that_is_killed_gets_its_case_again(tmp_path: Path) -> None:
    with by_hand(tmp_path) as cluster:
        process, out = _begin(tmp_path, cluster, "good-1", "wait-1", "good-2")
        begun = psutil.Process(cluster.started[1].pid).children()
        assert begun, "the worker has no process of its own"
        for child in begun:
            child.kill()
        _go(tmp_path)
        code, rows = _said(process, out)
        assert rows == dict.fromkeys(("good-1", "wait-1", "good-2"), ("done", ""))
        assert code == 0
        assert whole_results(out) == set(rows)
    until(lambda: not marked(tmp_path), "a process is left behind")


def test_a_machine_that_goes_down_leaves_its_case_to_the_next(tmp_path: Path) -> None:
    with by_hand(tmp_path) as cluster:
        process, out = _begin(tmp_path, cluster, "good-1", "wait-1", "good-2")
        end(cluster.started[1])
        _go(tmp_path)
        cluster.worker()
        code, rows = _said(process, out)
        assert {result for result, _ in rows.values()} == {"done"}
        assert code == 0
        assert whole_results(out) == set(rows)


def test_a_case_that_no_worker_survives_is_named(tmp_path: Path) -> None:
    with by_hand(tmp_path, DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="0") as cluster:
        process, out = _begin(tmp_path, cluster, "good-1", "wait-1")
        for child in psutil.Process(cluster.started[1].pid).children():
            child.kill()
        code, rows = _said(process, out)
        assert rows["good-1"] == ("done", "")
        assert rows["wait-1"][0] == "failed"
        assert "the cluster lost it" in rows["wait-1"][1]
        assert code == 1
        assert whole_results(out) == {"good-1"}


def test_a_scheduler_that_is_gone_ends_the_batch_and_keeps_what_is_done(tmp_path: Path) -> None:
    with by_hand(tmp_path) as cluster:
        process, out = _begin(tmp_path, cluster, "good-1", "wait-1", "good-2")
        end(cluster.scheduler)
        code, rows = _said(process, out)
        assert code == 1
        assert rows["good-1"] == ("done", "")
        assert all(result in {"failed", "not run"} and why for name, (result, why) in rows.items() if name != "good-1")
        until(lambda: not marked(tmp_path) and not (out / ".running").exists(), "something is left behind")
        assert whole_results(out) == {"good-1"}


def test_without_any_worker_the_cases_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("forensics.batch.cluster.WORKER_WITHIN_S", 1.0)
    with by_hand(tmp_path, workers=0) as cluster:
        outcome = run_batch(BatchPlan(cases(tmp_path, "a", "b"), tmp_path / "out", scheduler=cluster.address))
    assert [row.result for row in outcome.rows] == ["not run", "not run"]
    assert all("had no worker for 1 s" in row.why for row in outcome.rows)
    assert outcome.exit_code == 1
    assert not (tmp_path / "out" / ".running").exists()


def test_a_killed_batch_keeps_its_folder_until_the_cluster_is_done_with_it(tmp_path: Path) -> None:
    with by_hand(tmp_path) as cluster:
        process, out = _begin(tmp_path, cluster, "good-1", "wait-1", "good-2")
        process.kill()
        process.communicate()
        words = ("batch", tmp_path / "good-1" / "case.toml", "--out", out, "--resume")
        second = command(*words, mark=tmp_path)
        _, complained = second.communicate(timeout=60)
        assert second.returncode == 2
        assert "still has cases running there: wait-1" in complained
        _go(tmp_path)
        until(lambda: (out / "wait-1" / "run.json").is_file(), "the case that ran is not done")
        until(lambda: not marked(tmp_path), "a process is left behind")
        third = command("batch", *sorted(tmp_path.glob("*/case.toml")), "--out", out, "--resume", mark=tmp_path)
        said, complained = third.communicate(timeout=60)
        assert third.returncode == 0, complained
        assert "2 skipped, 1 done" in said or "1 done, 2 skipped" in said
        assert whole_results(out) == {"good-1", "wait-1", "good-2"}


def test_a_scheduler_that_is_not_there_is_said(tmp_path: Path) -> None:
    given = cases(tmp_path, "a")
    words = ("batch", *given, "--out", tmp_path / "out", "--scheduler", f"tcp://127.0.0.1:{free_port()}")
    process = command(*words, mark=tmp_path)
    _, complained = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "no scheduler answers" in complained
