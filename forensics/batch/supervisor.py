"""Starts a worker process, gives it one case at a time, and stops it where a limit is passed."""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import psutil

from forensics.errors import InputError, Problem, RunError, Severity, StoppedError
from forensics.report.running.kernel import safe_environment

ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
LOOK_EVERY_S = 0.1
START_LIMIT_S = 300.0
ORDERS_A_PROCESS = 50
MIB = 1 << 20
# without -P the working directory would come before the standard library
COMMAND = (sys.executable, "-P", "-m", "forensics.batch.worker")


@dataclass(frozen=True)
class Bounds:
    """Limits of one case, and whether the batch still wants it."""

    case_limit_s: float | None = None
    memory_limit_mib: float | None = None
    whole_limit_s: float | None = None
    wanted: Callable[[], bool] = lambda: True

    def after(self, spent_s: float) -> Bounds:
        """What is left of the limits once a part of the case has taken its time."""
        if self.case_limit_s is None:
            return self
        return replace(self, case_limit_s=self.case_limit_s - spent_s, whole_limit_s=self.case_limit_s)

    @property
    def told_limit_s(self) -> float:
        """The limit as it was given."""
        return self.whole_limit_s or self.case_limit_s or 0.0


class Worker:
    """One worker process at a time; after a while, or after it was stopped, a new one takes its place."""

    def __init__(self, command: Sequence[str] = COMMAND) -> None:
        self._command = tuple(command)
        self._process: subprocess.Popen[str] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._answers: queue.Queue[str | None] = queue.Queue()
        self._served = 0
        self._seen: list[psutil.Process] = []
        self.peak_mib = 0.0

    def inputs(self, case: Path, bounds: Bounds) -> str:
        """One hash of everything that a case stands on; reading it counts against the limits of the case.

        Raises
        ------
        InputError
            The case file or a file that it names can't be had.
        RunError, StoppedError
            As :meth:`run`.
        """
        self.peak_mib = 0.0
        return str(self._ask({"inputs": str(case)}, bounds)["sha256"])

    def run(self, case: Path, out: Path, bounds: Bounds) -> str:
        """Run one case into a folder.

        Returns
        -------
        str
            What is worth knowing though it is done; mostly nothing.

        Raises
        ------
        InputError
            The case must be corrected.
        RunError
            It failed, passed a limit, or its process died.
        StoppedError
            The batch no longer wants it.
        """
        return str(self._ask({"case": str(case), "out": str(out)}, bounds).get("note") or "")

    def _ask(self, order: dict[str, str], bounds: Bounds) -> dict[str, Any]:
        process = self._ready(bounds)
        self._served += 1
        try:
            assert process.stdin is not None
            process.stdin.write(json.dumps(order) + "\n")
            process.stdin.flush()
        except OSError:
            self.close()
            raise RunError("the worker process died before it began") from None
        answer: dict[str, Any] = json.loads(self._wait(process, bounds))
        _raise(answer)
        return answer

    def close(self) -> None:
        """End the process and everything that it started."""
        process, self._process = self._process, None
        if process is None:
            return
        kill_tree(process.pid)
        # a worker that was killed from outside can't be asked any more for the kernel it had
        _kill(self._seen)
        self._seen = []
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with suppress(OSError):  # the other end is gone, which is what is wanted
                    stream.close()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _ready(self, bounds: Bounds) -> subprocess.Popen[str]:
        if self._served >= ORDERS_A_PROCESS or (self._process is not None and self._process.poll() is not None):
            self.close()
        if self._process is None:
            self._served = 0
            self._answers = queue.Queue()
            self._folder = _own_folder()
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                encoding="utf-8",
                # with no room for a folder the worker stands at the root, and -P keeps its modules out all the same
                cwd=Path(sys.executable).anchor if self._folder is None else self._folder.name,
                env={**safe_environment(os.environ), **dict.fromkeys(ONE_THREAD, "1")},
                start_new_session=True,  # Ctrl-C at the terminal is for the batch, not for its workers
            )
            threading.Thread(target=_pass_on, args=(self._process, self._answers), daemon=True).start()
            # coming up is no part of a case, and is not held against its limits
            self._wait(self._process, Bounds(START_LIMIT_S, wanted=bounds.wanted))
        return self._process

    def _wait(self, process: subprocess.Popen[str], bounds: Bounds) -> str:
        began = time.monotonic()
        while True:
            try:
                answer = self._answers.get(timeout=LOOK_EVERY_S)
            except queue.Empty:
                self._look(process.pid, time.monotonic() - began, bounds)
                continue
            if answer is None:
                code = process.wait()
                self.close()
                raise RunError(f"the worker process died ({_how(code)}); other cases are not touched")
            return answer

    def _look(self, pid: int, spent_s: float, bounds: Bounds) -> None:
        self._seen = _tree(pid)
        held = held_mib(self._seen)
        self.peak_mib = max(self.peak_mib, held)
        why: RunError | None = None
        if not bounds.wanted():
            why = StoppedError("the batch was stopped by hand")
        elif bounds.case_limit_s is not None and spent_s > bounds.case_limit_s:
            spent_s += bounds.told_limit_s - bounds.case_limit_s
            why = RunError(f"stopped after {spent_s:.0f} s: longer than --case-limit {bounds.told_limit_s:g}")
        elif bounds.memory_limit_mib is not None and held > bounds.memory_limit_mib:
            why = RunError(f"stopped at {held:.0f} MiB: more than --memory-limit {bounds.memory_limit_mib:g}")
        if why is not None:
            self.close()
            raise why


def _own_folder() -> tempfile.TemporaryDirectory[str] | None:
    try:
        return tempfile.TemporaryDirectory(prefix="screw-forensics-", ignore_cleanup_errors=True)
    except OSError:
        return None


def _pass_on(process: subprocess.Popen[str], answers: queue.Queue[str | None]) -> None:
    assert process.stdout is not None
    try:
        for line in process.stdout:
            answers.put(line)
    except (OSError, ValueError):  # closed under the reader: the process was stopped
        pass
    answers.put(None)


def _how(code: int) -> str:
    if code >= 0:
        return f"exit code {code}"
    try:
        return f"signal {-code}, {signal.Signals(-code).name}"
    except ValueError:
        return f"signal {-code}"


def _raise(answer: dict[str, Any]) -> None:
    if answer["result"] == "to correct":
        raise InputError([Problem(**{**row, "severity": Severity(row["severity"])}) for row in answer["problems"]])
    if answer["result"] not in {"done", "inputs"}:
        raise RunError(answer["why"])


def held_mib(processes: Iterable[psutil.Process]) -> float:
    """Resident memory of some processes together, MiB; shared pages count for each."""
    total = 0
    for process in processes:
        try:
            total += process.memory_info().rss
        except psutil.Error:
            continue
    return total / MIB


def kill_tree(pid: int) -> None:
    """End a process and all it started; a kernel has a session of its own, so a group would not reach it."""
    _kill(_tree(pid))


def _kill(processes: Iterable[psutil.Process]) -> None:
    killed = []
    for process in processes:
        try:
            process.kill()
            killed.append(process)
        except psutil.Error:
            continue
    psutil.wait_procs(killed, timeout=5)


def _tree(pid: int) -> list[psutil.Process]:
    try:
        first = psutil.Process(pid)
        return [first, *first.children(recursive=True)]
    except psutil.Error:
        return []
