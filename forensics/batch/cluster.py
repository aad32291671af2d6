"""Runs the jobs of a batch on a cluster that is already there: dask.distributed, one task a case.

Each task starts a process of its own on the machine it comes to, so limits and crashes are handled as on one machine.
Paths must mean the same there: a shared folder, or addresses read through fsspec.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Mapping, Sequence
from importlib import import_module
from typing import Any

from forensics.batch.job import run_job
from forensics.batch.plan import Job, Row
from forensics.batch.watch import Worker
from forensics.errors import InputError, Problem

ANSWER_WITHIN = "20s"
ASK_EVERY_S = 1.0
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


def _rows(dask: Any, client: Any, jobs: Sequence[Job], found: dict[str, Row]) -> Generator[Row, None, None]:
    token = jobs[0].token
    futures = {client.submit(run_task, job, key=f"{token}-{job.name}", pure=False): job for job in jobs}
    with client:
        try:
            for future in dask.as_completed(list(futures), loop=client.loop):
                found[futures[future].name] = row = _row(future, futures[future])
                yield row
        finally:
            _stop(dask, client, futures, found)


def _stop(dask: Any, client: Any, futures: Mapping[Any, Job], found: dict[str, Row]) -> None:
    """Call off what is waiting, stop what is running, keep what is done."""
    dask.Event(STOP + next(iter(futures.values())).token, client=client).set()
    running = [future for future, job in futures.items() if job.name not in found and not future.done()]
    for future, job in futures.items():
        if job.name not in found and future.done():
            found[job.name] = _row(future, job)
    if running:
        client.cancel(running)


def _row(future: Any, job: Job) -> Row:
    if future.status == "finished":
        row: Row = future.result()
        return row
    fault = future.exception() if future.status == "error" else None
    why = future.status if fault is None else f"{type(fault).__name__}: {fault}"
    return Row(job.name, job.case, "failed", why=f"the cluster lost it: {why}")


def run_task(job: Job) -> Row:
    """One job as a task of the cluster."""
    worker = Worker()
    try:
        return run_job(job, worker, _wanted(job.token))
    finally:
        worker.close()


def _wanted(token: str) -> Callable[[], bool]:
    """Asks the scheduler now and then whether the batch was stopped."""
    dask = _distributed()
    stop = dask.Event(STOP + token, client=dask.get_client())
    asked = time.monotonic()
    stopped = False

    def wanted() -> bool:
        nonlocal asked, stopped
        if not stopped and time.monotonic() - asked > ASK_EVERY_S:
            asked = time.monotonic()
            stopped = bool(stop.is_set())
        return not stopped

    return wanted
