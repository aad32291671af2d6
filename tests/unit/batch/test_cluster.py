"""Batches on a cluster and on shared storage: the same rows and the same files as on one machine."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest
from finished_cases import write_case

from forensics.batch import BatchPlan, run_batch
from forensics.errors import InputError

pytestmark = pytest.mark.usefixtures("stand_in")
HERE = Path(__file__).resolve().parent
PRELOAD = "stand_in_preload"  # by name: a file would be copied away from the stand-in that lies beside it


def cases(folder: Path, *names: str) -> tuple[Path, ...]:
    return tuple(write_case(folder / name, name) for name in names)


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
    given = cases(tmp_path, "good-1", "input-1", "die-1", "good-2", "hang-1", "good-3")
    plan = BatchPlan(given, tmp_path / "out", scheduler=local_cluster, case_limit_s=5.0)
    outcome = run_batch(plan)
    assert [r.result for r in outcome.rows] == ["done", "to correct", "failed", "done", "failed", "done"]
    assert "SIGKILL" in outcome.rows[2].why
    assert "--case-limit" in outcome.rows[4].why
    assert len(list((tmp_path / "out").glob("*/report.html"))) == 3
    again = run_batch(BatchPlan(given[:1], tmp_path / "out", scheduler=local_cluster, resume=True))
    assert again.counts == {"skipped": 1}


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def two_processes(stand_in: None, tmp_path: Path) -> Iterator[str]:
    """A scheduler and a worker, each started by hand as the documentation describes."""
    pytest.importorskip("distributed")
    address = f"tcp://127.0.0.1:{_free_port()}"
    dask = [sys.executable, "-m", "dask"]
    host, _, port = address.removeprefix("tcp://").partition(":")
    commands = (
        [*dask, "scheduler", "--host", host, "--port", port, "--no-dashboard"],
        [*dask, "worker", address, "--nthreads", "1", "--no-dashboard", "--preload", PRELOAD],
    )
    env = {**os.environ, "PYTHONPATH": str(HERE)}
    none = subprocess.DEVNULL
    started = [subprocess.Popen(words, stdout=none, stderr=none, cwd=tmp_path, env=env) for words in commands]
    try:
        yield address
    finally:
        for process in started:
            for child in [*psutil.Process(process.pid).children(recursive=True), process]:
                child.kill()
            process.wait()


@pytest.mark.slow
def test_a_cluster_of_two_processes_started_by_hand(two_processes: str, tmp_path: Path) -> None:
    given = cases(tmp_path, "good-1", "input-1", "good-2")
    outcome = run_batch(BatchPlan(given, tmp_path / "out", scheduler=two_processes))
    assert [r.result for r in outcome.rows] == ["done", "to correct", "done"]


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
        run_batch(BatchPlan(given, tmp_path / "out", scheduler=f"tcp://127.0.0.1:{_free_port()}"))
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
