"""Runs one job from beginning to end, wherever it is: fetch, skip or run, keep the result, say what it came to."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from forensics.batch.fingerprint import software_hash
from forensics.batch.locks import scratch_folder
from forensics.batch.plan import Job, Row
from forensics.batch.results import is_current, read_note, read_result, seed, take, write_failed_page
from forensics.batch.storage import fetch_case, is_address
from forensics.batch.supervisor import Bounds, Worker
from forensics.errors import ForensicsError, InputError, Problem, RunError, StoppedError
from forensics.report.written.placing import unfinished
from forensics.results.diff import Changes


def run_job(job: Job, worker: Worker, wanted: Callable[[], bool] = lambda: True) -> Row:
    """Run one job; it always comes back with a row.

    Parameters
    ----------
    worker
        The process that runs the case; it is left ready for the next one.
    wanted
        Asked again and again: False once the batch was stopped.
    """
    began = time.monotonic()
    worker.peak_mib = 0.0
    try:
        with scratch_folder(job.out, job.token, job.name) as scratch:
            row = _run(job, worker, Bounds(job.case_limit_s, job.memory_limit_mib, wanted=wanted), scratch)
    except OSError as fault:
        row = Row(job.name, job.case, "failed", why=f"{fault.strerror or fault}: {fault.filename or job.out}")
    return replace(row, wall_s=time.monotonic() - began, peak_mib=worker.peak_mib)


def _run(job: Job, worker: Worker, bounds: Bounds, scratch: Path) -> Row:
    made = scratch / "made"
    row = Row(job.name, job.case, "done")
    try:
        if job.software != software_hash():
            raise RunError("this machine has other software than the one that planned the batch: install the same")
        if not is_address(job.out):
            unfinished(Path(job.out))  # completes what an earlier batch was stopped in the midst of putting in place
        if was_finished(job):  # by a worker that the cluster then took for lost
            return _with_verdict(row, job, scratch)
        case = _local(job.case, scratch)
        began = time.monotonic()
        inputs = worker.inputs(case, bounds)
        if job.resume and is_current(job.out, inputs, job.software):
            return _with_verdict(replace(row, result="skipped"), job, scratch)
        seed(job.out, made)
        note = worker.run(case, made, bounds.after(time.monotonic() - began))
        changes = take(made, job.out, inputs=inputs, software=job.software, batch=job.token, scratch=scratch)
        return _with_verdict(_with_changes(replace(row, why=note), changes), job, scratch)
    except StoppedError as fault:
        return replace(row, result="not run", why=str(fault))
    except ForensicsError as fault:
        problems = [str(p) for p in fault.problems] if isinstance(fault, InputError) else [str(fault)]
        try:
            write_failed_page(made, job.out, job.name, fault)
        except OSError as second:
            problems.append(f"no page could be written ({second.strerror or second})")
        why = "; ".join(problems)
        return replace(row, result="to correct" if isinstance(fault, InputError) else "failed", why=why)


def finished_row(job: Job) -> Row | None:
    """The row of a case that this batch finished, read from its results; None where it did not."""
    if not was_finished(job):
        return None
    with tempfile.TemporaryDirectory() as folder:
        return _with_verdict(Row(job.name, job.case, "done"), job, Path(folder))


def was_finished(job: Job) -> bool:
    """Whether the result that lies in the folder of a job is whole and of this very batch."""
    note = read_note(job.out)
    return note is not None and note.batch == job.token


def _local(case: str, scratch: Path) -> Path:
    if not is_address(case):
        if Path(case).exists() and not Path(case).is_file():
            raise InputError(
                [Problem("is no file that can be read as a case", file=case, remedy="Name the case file.")]
            )
        return Path(case)
    folder = scratch / "case"
    folder.mkdir()
    return fetch_case(case, folder)


def _with_changes(row: Row, changes: Changes | None) -> Row:
    if changes is None or not (changes.verdict or changes.grades or changes.findings or changes.reasons):
        return row
    return replace(row, changed=changes.lines, verdict_changed=bool(changes.verdict))


def _with_verdict(row: Row, job: Job, scratch: Path) -> Row:
    found = read_result(job.out, scratch)
    if found is None:
        return row
    verdict = found.verdict
    return replace(row, status=str(verdict.status), mode=str(verdict.mode or ""), grade=str(verdict.grade or ""))
