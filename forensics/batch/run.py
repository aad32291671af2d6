"""Carries out a batch: side by side on this machine or on a cluster, one bar of progress, one table at the end."""

from __future__ import annotations

import csv
import io
import threading
import uuid
from collections import Counter
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from forensics.batch.fingerprint import software_hash
from forensics.batch.job import run_job
from forensics.batch.locks import clear_scratch, locked
from forensics.batch.plan import BatchPlan, Job, Row, plan_jobs
from forensics.batch.storage import join, write_bytes
from forensics.batch.supervisor import Worker
from forensics.errors import InputError, Problem
from forensics.model.outside_text import for_line, for_sheet, for_terminal

DONE, FAILED, CORRECT = 0, 1, 2
TABLE, CHANGED = "batch.csv", "changed.txt"
WHY_SHOWN = 100
COLUMNS = ("case", "result", "verdict", "mode", "grade", "seconds", "MiB", "changed", "why")


@dataclass(frozen=True)
class BatchOutcome:
    """What a batch came to.

    Attributes
    ----------
    rows
        One a case, in the order given.
    stopped
        Whether it was stopped by hand.
    note
        What could not be written, if anything.
    """

    rows: tuple[Row, ...]
    stopped: bool = False
    note: str = ""

    @property
    def counts(self) -> Counter[str]:
        """Cases by result."""
        return Counter(row.result for row in self.rows)

    @property
    def exit_code(self) -> int:
        """2 where a case must be corrected, 1 where one failed or the batch was stopped, else 0."""
        counts = self.counts
        if counts["to correct"]:
            return CORRECT
        return FAILED if self.stopped or counts["failed"] or counts["not run"] else DONE

    @property
    def table(self) -> str:
        """For people: a line a case, the counts, and what changed against earlier results."""
        lines = [tuple(map(for_line, _cells(row))) for row in self.rows]
        widths = [max(len(line[n]) for line in (COLUMNS, *lines)) for n in range(len(COLUMNS))]
        text = ["  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip() for line in (COLUMNS, *lines)]
        text.append(", ".join(f"{n} {result}" for result, n in self.counts.items()) or "no case")
        if self.stopped:
            text.append("stopped by hand: what was finished is finished; --resume does the rest")
        text += [line for row in self.rows if row.verdict_changed for line in _change_lines(row)]
        return "\n".join([*text, self.note] if self.note else text)


def _cells(row: Row) -> tuple[str, ...]:
    why = " ".join(row.why.split())
    changed = "verdict" if row.verdict_changed else ("yes" if row.changed else "")
    short = why if len(why) <= WHY_SHOWN else why[: WHY_SHOWN - 1] + "…"
    numbers = (f"{row.wall_s:.1f}", f"{row.peak_mib:.0f}")
    return (row.name, row.result, row.status, row.mode, row.grade, *numbers, changed, short)


def _change_lines(row: Row) -> list[str]:
    return [for_line(f"{row.name}: {line}") for line in row.changed]


def run_batch(plan: BatchPlan) -> BatchOutcome:
    """Carry out a batch.

    Returns
    -------
    BatchOutcome
        Each case has its row, whatever happened to the others. ``batch.csv`` and, where an earlier result reads
        otherwise, ``changed.txt`` lie in the folder of the results.

    Raises
    ------
    InputError
        The plan can't be carried out, another batch writes to the folder, or no scheduler answers.
    RunError
        The folder can't be written to.
    """
    plan.check()
    token = uuid.uuid4().hex
    with locked(plan.out, token):
        _refuse_where_cases_run(plan.out)
        jobs = plan_jobs(plan, software_hash(), token)
        found: dict[str, Row] = {}
        stopped = False
        source = _on_cluster(plan, jobs, found) if plan.scheduler else _on_this_machine(plan, jobs, found)
        try:
            _count(source, len(jobs), progress=plan.progress)
        except KeyboardInterrupt:
            stopped = True
        finally:
            source.close()
            clear_scratch(plan.out)
        rows = tuple(found.get(j.name) or Row(j.name, j.case, "not run", why="the batch was stopped") for j in jobs)
        return BatchOutcome(rows, stopped, write_table(plan.out, rows))


def _refuse_where_cases_run(out: str | Path) -> None:
    """A batch that was killed frees its folder, but a cluster goes on with the cases that it had begun."""
    running = clear_scratch(out)
    if running:
        text = f"a batch that was killed still has cases running there: {', '.join(running)}"
        raise InputError([Problem(text, file=str(out), remedy="Wait until they are done, or stop the workers.")])


def _count(rows: Iterable[Row], total: int, *, progress: bool) -> None:
    """Wait for the rows, with one bar that counts them by result."""
    from tqdm import tqdm

    counts: Counter[str] = Counter()
    with tqdm(total=total, unit="case", disable=not progress, dynamic_ncols=True) as bar:
        for row in rows:
            counts[row.result] += 1
            bar.set_postfix_str(", ".join(f"{n} {result}" for result, n in counts.items()))
            bar.update()


def _on_this_machine(plan: BatchPlan, jobs: Sequence[Job], found: dict[str, Row]) -> Generator[Row, None, None]:
    """A thread a worker process; each takes the next job until none is left or the batch is stopped.

    Rows are kept in ``found`` by the threads themselves: one that is done while the batch is being stopped counts.
    """
    from queue import Empty, SimpleQueue

    waiting: SimpleQueue[Job] = SimpleQueue()
    finished: SimpleQueue[Row | BaseException] = SimpleQueue()
    stop = threading.Event()
    for job in jobs:
        waiting.put(job)

    def serve() -> None:
        worker = Worker()
        try:
            while not stop.is_set():
                try:
                    job = waiting.get_nowait()
                except Empty:
                    return
                found[job.name] = row = run_job(job, worker, lambda: not stop.is_set())
                finished.put(row)
        except BaseException as fault:  # noqa: BLE001 - a defect is raised where the batch is waited for
            finished.put(fault)
        finally:
            worker.close()

    threads = [threading.Thread(target=serve) for _ in range(min(plan.workers, len(jobs)))]
    for thread in threads:
        thread.start()
    try:
        for _ in jobs:
            row = finished.get()
            if isinstance(row, BaseException):
                raise row
            yield row
    finally:
        stop.set()
        for thread in threads:
            thread.join()


def _on_cluster(plan: BatchPlan, jobs: Sequence[Job], found: dict[str, Row]) -> Generator[Row, None, None]:
    from forensics.batch.cluster import run_on_cluster

    return run_on_cluster(plan.scheduler, jobs, found)


def write_table(out: str | Path, rows: Sequence[Row]) -> str:
    """Write the table; where that can't be done the rows are not lost: they are printed."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("case", "file", "result", "verdict", "mode", "grade", "seconds", "peak_mib", "changed", "why"))
    for r in rows:
        numbers = (f"{r.wall_s:.2f}", f"{r.peak_mib:.0f}")
        said = (r.name, r.case, r.result, r.status, r.mode, r.grade, *numbers, "; ".join(r.changed), r.why)
        writer.writerow([for_sheet(for_terminal(cell)) for cell in said])
    changed = [line for row in rows if row.changed for line in _change_lines(row)]
    try:
        write_bytes(join(out, TABLE), text.getvalue().encode())
        if changed:
            write_bytes(join(out, CHANGED), ("\n".join(changed) + "\n").encode())
    except OSError as fault:
        return f"the table could not be written: {fault.strerror or fault}"
    return ""
