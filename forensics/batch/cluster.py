"""Runs the jobs of a batch on a cluster that is already there: dask.distributed, one task a case.

Each task starts a process of its own on the machine it comes to, so limits and crashes are handled as on one machine.
Paths must mean the same there: a shared folder, or addresses read through fsspec.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from functools import cache
from importlib import import_module
from typing import Any

from forensics.batch.job import finished_row, run_job
from forensics.batch.plan import Job, Row
from forensics.batch.supervisor import Worker
from forensics.errors import InputError, Problem

ANSWER_WITHIN = "20s"
ASK_EVERY_S = 1.0
LOOK_EVERY_S = 0.1
# clusters that grow on demand take minutes for their first worker
WORKER_WITHIN_S = 300.0
# a case is stopped within seconds; one that is just moving its results needs no more
STOP_WITHIN_S = 30.0
STOP = "screw-forensics-stop-"


def run_on_cluster(address: str, jobs: Sequence[Job], found: dict[str, Row]) -> Generator[Row, None, None]:
    """Run jobs on a cluster; rows come as they are done, and are kept in ``found``.

    Raises
    ------
    InputError
        dask.distributed is not installed, or no scheduler answers at the address.
    """
    dask = _distributed()
    try:
        client = dask.Client(address, timeout=ANSWER_WITHIN, set_as_default=False)
    except (OSError, ValueError) as fault:
        text = f"no scheduler answers: {str(fault).splitlines()[0]}"
        raise InputError([Problem(text, file=address, remedy="Start it, or correct --scheduler.")]) from None
    return _rows(dask, client, jobs, found)


def _distributed() -> Any:
    try:
        return import_module("distributed")
    except ImportError:
        remedy = "Install the extra 'cluster'."
        raise InputError([Problem("a scheduler needs dask.distributed", remedy=remedy)]) from None


@cache
def _gone() -> tuple[type[BaseException], ...]:
    """What the library raises where its scheduler can't be reached any more."""
    closed = getattr(_distributed().client, "ClosedClientError", OSError)  # older releases have no error of their own
    return OSError, RuntimeError, CancelledError, closed


def _rows(dask: Any, client: Any, jobs: Sequence[Job], found: dict[str, Row]) -> Generator[Row, None, None]:
    token = jobs[0].token
    futures = {client.submit(run_task, job, key=f"{token}-{job.name}", pure=False): job for job in jobs}
    with _quiet(), client:
        try:
            for future in _as_done(dask, client, list(futures)):
                found[futures[future].name] = row = _row(future, futures[future])
                yield row
        finally:
            _stop(dask, client, futures, found)


@contextmanager
def _quiet() -> Iterator[None]:
    """No log of the library on the terminal: what befell a case is said in its row."""
    logs = [logging.getLogger(name) for name in ("distributed", "distributed.client")]  # each has a level of its own
    levels = [log.level for log in logs]
    for log in logs:
        log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for log, level in zip(logs, levels, strict=True):
            log.setLevel(level)


def _as_done(dask: Any, client: Any, futures: list[Any]) -> Iterator[Any]:
    """Futures as they are done; those left over once no worker has been there for too long come as they are."""
    done = dask.as_completed(futures, loop=client.loop)
    waiting = set(futures)
    looked = there = time.monotonic()
    while waiting:
        for future in done.next_batch(block=False):
            waiting.discard(future)
            yield future
            there = time.monotonic()
        if waiting and time.monotonic() - looked > ASK_EVERY_S:
            looked = time.monotonic()
            if _has_worker(client):
                there = looked
            elif looked - there > WORKER_WITHIN_S:
                yield from waiting
                return
        time.sleep(LOOK_EVERY_S)


def _has_worker(client: Any) -> bool:
    try:
        return bool(client.nthreads())
    except _gone():
        return False


def _runs(client: Any) -> bool:
    try:
        return any(client.processing().values())
    except _gone():
        return False


def _stop(dask: Any, client: Any, futures: Mapping[Any, Job], found: dict[str, Row]) -> None:
    """Stop what is running and wait for it, call off what is waiting, keep what is done.

    What waits is let run into the stop, which takes it no time: a case that was called off could be one that has just
    been finished.
    """
    open_ = [future for future, job in futures.items() if job.name not in found]
    if open_ and client.status == "running":
        with suppress(*_gone()):
            dask.Event(STOP + next(iter(futures.values())).token, client=client).set()
        until = time.monotonic() + STOP_WITHIN_S
        while time.monotonic() < until and _runs(client):
            time.sleep(LOOK_EVERY_S)
        while time.monotonic() < until and _has_worker(client) and not all(future.done() for future in open_):
            time.sleep(LOOK_EVERY_S)
    done = [future for future in open_ if future.done()]
    with suppress(*_gone()):
        client.cancel([future for future in open_ if future not in done])
    for future in done:
        found[futures[future].name] = _row(future, futures[future])


def _row(future: Any, job: Job) -> Row:
    status = future.status
    try:
        if status == "finished":
            row: Row = future.result()
            return row
        fault = future.exception() if status == "error" else None
    except _gone() as lost:
        fault = lost
    if status == "pending":
        return Row(job.name, job.case, "not run", why=f"the cluster had no worker for {WORKER_WITHIN_S:g} s")
    why = status if fault is None else f"{type(fault).__name__}: {fault}"
    # its answer is lost, but what it had finished is not
    return finished_row(job) or Row(job.name, job.case, "failed", why=f"the cluster lost it: {why}")


def run_task(job: Job) -> Row:
    """One job as a task of the cluster; one that comes to a worker after the batch was stopped is not begun."""
    wanted = _wanted(job.token)
    if not wanted():
        return Row(job.name, job.case, "not run", why="the batch was stopped")
    worker = Worker()
    try:
        return run_job(job, worker, wanted)
    finally:
        worker.close()


def _wanted(token: str) -> Callable[[], bool]:
    """Asks the scheduler now and then whether the batch was stopped."""
    dask = _distributed()
    stop = dask.Event(STOP + token, client=dask.get_client())
    asked = -ASK_EVERY_S
    stopped = False

    def wanted() -> bool:
        nonlocal asked, stopped
        if not stopped and time.monotonic() - asked >= ASK_EVERY_S:
            asked = time.monotonic()
            try:
                stopped = bool(stop.is_set())
            except _gone():  # without its scheduler nobody waits for the case
                stopped = True
        return not stopped

    return wanted
