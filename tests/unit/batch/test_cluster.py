"""Batches on a cluster and on shared storage: the same rows and the same files as on one machine."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from finished_cases import write_case

from batch.started import PRELOAD, by_hand, cases, command, end, free_port, until, whole_results
from forensics.batch import BatchPlan, run_batch
from forensics.errors import InputError

pytestmark = pytest.mark.usefixtures("stand_in")
HERE = Path(__file__).resolve().parent


@pytest.fixture(scope="module")
def local_cluster() -> Iterator[str]:
    distributed = pytest.importorskip("distributed")
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(HERE)  # handed on to processes that are spawned
        yield from _cluster(distributed)


def _cluster(distributed: Any) -> Iterator[str]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, preload=[PRELOAD]
    ) as cluster:
        yield cluster.scheduler_address


@pytest.mark.slow
def test_good_and_bad_cases_on_a_local_cluster(local_cluster: str, tmp_path: Path) -> None:
    names = ("good-1", "input-1", "die-1", "good-2", "hang-1", "good-3", "grow-1")
    given = cases(tmp_path, *names)
    plan = BatchPlan(given, tmp_path / "out", scheduler=local_cluster, case_limit_s=20.0, memory_limit_mib=700.0)
    outcome = run_batch(plan)
    assert [r.result for r in outcome.rows] == ["done", "to correct", "failed", "done", "failed", "done", "failed"]
    assert "SIGKILL" in outcome.rows[2].why
    assert "longer than --case-limit 20" in outcome.rows[4].why
    assert "more than --memory-limit 700" in outcome.rows[6].why
    assert outcome.rows[6].peak_mib > 700
    assert len(list((tmp_path / "out").glob("*/report.html"))) == 3
    assert not (tmp_path / "out" / ".running").exists()
    again = run_batch(BatchPlan(given[:1], tmp_path / "out", scheduler=local_cluster, resume=True))
    assert again.counts == {"skipped": 1}


@pytest.mark.slow
def test_the_same_rows_and_files_by_addresses_between_processes(tmp_path: Path) -> None:
    """Cases and results by ``file://``, which each process reads for itself through fsspec."""
    pytest.importorskip("fsspec")
    given = cases(tmp_path, "good-1", "input-1", "good-2")
    out = tmp_path / "out"
    with by_hand(tmp_path) as cluster:
        words = ("batch", *(f"file://{case}" for case in given), "--out", f"file://{out}")
        process = command(*words, "--scheduler", cluster.address, mark=tmp_path)
        said, complained = process.communicate(timeout=120)
        assert process.returncode == 2, complained
        assert "2 done, 1 to correct" in said
        again = command(*words, "--scheduler", cluster.address, "--resume", mark=tmp_path)
        said, complained = again.communicate(timeout=120)
        assert "2 skipped, 1 to correct" in said, complained
    assert (out / "input-1" / "report.FAILED.html").is_file()
    (out / "input-1" / "report.FAILED.html").unlink()
    (out / "input-1").rmdir()
    assert whole_results(out) == {"good-1", "good-2"}
    assert not (out / "batch.lock").exists()


def test_two_batches_never_write_to_one_address(tmp_path: Path) -> None:
    pytest.importorskip("fsspec")
    given, out = cases(tmp_path, "wait-1"), tmp_path / "out"
    words = ("batch", *given, "--out", f"file://{out}")
    first = command(*words, mark=tmp_path)
    try:
        until(lambda: (out / "batch.lock").is_file(), "the first batch does not begin")
        second = command(*words, mark=tmp_path)
        _, complained = second.communicate(timeout=60)
        assert second.returncode == 2
        assert "another batch writes there" in complained
        assert "batch.lock" in complained
        (given[0].parent / "go").touch()
        first.communicate(timeout=60)
        assert first.returncode == 0
    finally:
        end(first)
    assert whole_results(out) == {"wait-1"}


@pytest.mark.slow
def test_a_worker_with_other_software_refuses(
    local_cluster: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("forensics.batch.run.software_hash", lambda: "newer")
    outcome = run_batch(BatchPlan(cases(tmp_path, "a"), tmp_path / "out", scheduler=local_cluster))
    assert "other software" in outcome.rows[0].why


def test_no_scheduler_is_said_and_the_folder_is_free_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("forensics.batch.cluster.ANSWER_WITHIN", "1s")
    given = cases(tmp_path, "a")
    with pytest.raises(InputError, match="no scheduler answers"):
        run_batch(BatchPlan(given, tmp_path / "out", scheduler=f"tcp://127.0.0.1:{free_port()}"))
    assert run_batch(BatchPlan(given, tmp_path / "out")).exit_code == 0


def test_cases_and_results_on_object_storage(tmp_path: Path) -> None:
    fsspec = pytest.importorskip("fsspec")
    store = fsspec.filesystem("memory")
    root = f"/batch-{time.time_ns()}"
    write_case(tmp_path / "a", "stored")
    store.put(str(tmp_path / "a"), f"{root}/cases/a", recursive=True)
    plan = BatchPlan((f"memory:/{root}/cases/a/case.toml",), f"memory:/{root}/out")
    outcome = run_batch(plan)
    assert [row.result for row in outcome.rows] == ["done"], outcome.table
    held = {name.rpartition("/")[2] for name in store.find(f"{root}/out/stored")}
    assert {"report.html", "findings.json", "run.json"} <= held
    assert store.exists(f"{root}/out/batch.csv")
    assert not store.exists(f"{root}/out/batch.lock")
    again = run_batch(BatchPlan(plan.cases, plan.out, resume=True))
    assert again.counts == {"skipped": 1}
    store.pipe_file(f"{root}/cases/a/exports/rec.DAT", b"other samples")
    assert run_batch(BatchPlan(plan.cases, plan.out, resume=True)).counts == {"done": 1}
    store.pipe_file(f"{root}/out/batch.lock", b'{"batch": "another"}')
    with pytest.raises(InputError, match="another batch writes there"):
        run_batch(plan)
    store.rm(f"{root}/out/batch.lock")
    store.rm(f"{root}/cases/a/exports/trend.csv")
    failed = run_batch(plan)
    assert failed.rows[0].result == "to correct"
    assert store.exists(f"{root}/out/stored/report.FAILED.html")
    assert store.exists(f"{root}/out/stored/report.html")


def test_an_address_that_nobody_knows_is_said(tmp_path: Path) -> None:
    pytest.importorskip("fsspec")
    outcome = run_batch(BatchPlan(("nosuch://place/case.toml",), tmp_path / "out"))
    assert outcome.rows[0].result == "to correct"
