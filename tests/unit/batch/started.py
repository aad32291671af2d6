"""Processes that a test starts for itself: a cluster by hand, the command line, and whoever they leave behind."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
from finished_cases import write_case

HERE = Path(__file__).resolve().parent
PRELOAD = "stand_in_preload"  # by name: a file would be copied away from the stand-in that lies beside it
MARK = "TEST_MARK"
PATIENCE_S = 60.0


def cases(folder: Path, *names: str) -> tuple[Path, ...]:
    return tuple(write_case(folder / name, name) for name in names)


def until(met: Callable[[], object], what: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not met():
        assert time.monotonic() < end, what
        time.sleep(0.05)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def environment(mark: Path, **more: str) -> dict[str, str]:
    """What marks all descendants of a process, so that those of other tests are never taken for them."""
    paths = os.pathsep.join([str(HERE), str(HERE.parent), str(HERE.parents[2])])
    return {**os.environ, "PYTHONPATH": paths, MARK: str(mark), **more}


def marked(mark: Path, word: str = "child.py") -> list[psutil.Process]:
    """Processes of one test that run a file; those that have just ended do not count."""
    found = []
    for process in psutil.process_iter():
        try:
            if process.environ().get(MARK) == str(mark) and any(part.endswith(word) for part in process.cmdline()):
                found.append(process)
        except psutil.Error:
            continue
    return found


def end(process: subprocess.Popen[str]) -> None:
    """End a process and all that it started, as a machine that goes down would."""
    try:
        whole = [*psutil.Process(process.pid).children(recursive=True), psutil.Process(process.pid)]
    except psutil.NoSuchProcess:
        whole = []
    for each in whole:
        try:
            each.kill()
        except psutil.NoSuchProcess:
            continue
    process.wait()


class ByHand:
    """A scheduler and its workers, each a process."""

    def __init__(self, folder: Path, **environ: str) -> None:
        self.folder = folder
        self.address = f"tcp://127.0.0.1:{free_port()}"
        self._environ = environment(folder, **environ)
        self.started: list[subprocess.Popen[str]] = []
        port = self.address.rpartition(":")[2]
        self.scheduler = self._start("scheduler", "--host", "127.0.0.1", "--port", port)

    def _start(self, *words: str) -> subprocess.Popen[str]:
        none = subprocess.DEVNULL
        command = [sys.executable, "-m", "dask", *words, "--no-dashboard"]
        process = subprocess.Popen(command, stdout=none, stderr=none, cwd=self.folder, env=self._environ, text=True)
        self.started.append(process)
        return process

    def worker(self, threads: int = 1) -> subprocess.Popen[str]:
        return self._start("worker", self.address, "--nthreads", str(threads), "--preload", PRELOAD)

    def close(self) -> None:
        for process in reversed(self.started):
            end(process)


@contextmanager
def by_hand(folder: Path, *, workers: int = 1, threads: int = 1, **environ: str) -> Iterator[ByHand]:
    cluster = ByHand(folder, **environ)
    try:
        for _ in range(workers):
            cluster.worker(threads)
        yield cluster
    finally:
        cluster.close()


def command(*words: str | Path, mark: Path, **environ: str) -> subprocess.Popen[str]:
    """The command line with the stand-in, in a process group of its own as a shell starts it."""
    return subprocess.Popen(
        [sys.executable, str(HERE / "stand_in_batch.py"), *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(mark, **environ),
        start_new_session=True,
    )


def whole_results(out: Path) -> set[str]:
    """Names of finished cases; a folder that lacks a file of its own, or its note, fails the test."""
    names = set()
    for folder in out.iterdir():
        if not folder.is_dir():
            assert not folder.name.endswith(".part"), folder
            continue
        assert not folder.name.startswith("."), folder
        note = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        assert {"findings.json", "report.html", "set_aside.csv", "incident.ipynb"} <= set(note["files"])
        assert all((folder / name).is_file() for name in note["files"])
        names.add(folder.name)
    return names
