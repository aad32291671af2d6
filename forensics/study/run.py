"""Simulates the machines of a plan, judges each record of them in process, and keeps every answer in one file.

A line of the file is one machine. What is there is not run again: a study that was stopped goes on where it stopped,
and a longer one goes on where a shorter one with the same seed and the same rules ended.
"""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import closing, contextmanager
from dataclasses import dataclass
from importlib import import_module, metadata
from pathlib import Path
from typing import Any

from forensics.errors import InputError, Problem
from forensics.refrigerants.properties import INSTALL, library_version
from forensics.report.running.kernel import safe_environment
from forensics.study.judged import judge_machine
from forensics.study.plan import Machine, plan
from forensics.study.rules_in_use import code_in_use, rules_in_use

CASES = "cases.jsonl"
FORM = 1
ANSWER_WITHIN = "20s"


@dataclass(frozen=True)
class StudyPlan:
    """What is asked for.

    Attributes
    ----------
    cases, seed
        As in `plan`.
    out
        Folder of the results.
    workers
        Processes on this machine.
    scheduler
        Address of a running dask.distributed scheduler instead; empty: none.
    """

    cases: int
    out: Path
    seed: int = 1
    workers: int = 1
    scheduler: str = ""


def run_study(wanted: StudyPlan, *, progress: Callable[[int, int], None] = lambda done, of: None) -> Path:
    """Judge every case of a plan that is not judged yet; returns the path of the file with all answers.

    Raises
    ------
    InputError
        The number of cases or workers is out of range, the folder can't be written, or it holds answers of another
        seed, version or rules.
    """
    machines = plan(wanted.cases, wanted.seed)
    if wanted.workers < 1:
        raise InputError([Problem(f"--workers {wanted.workers} is below 1", remedy="Give the number of processes.")])
    if not library_version():
        raise InputError([Problem("machines are made with a property library, which is not installed", remedy=INSTALL)])
    path = wanted.out / CASES
    try:
        wanted.out.mkdir(parents=True, exist_ok=True)
        done = _begun(path, _header(wanted.seed))
    except OSError as fault:
        text = f"can't be written to ({fault.strerror})"
        raise InputError([Problem(text, file=str(wanted.out), remedy="Choose another folder with --out.")]) from None
    todo = [machine for machine in machines if machine.number not in done]
    with path.open("a", encoding="utf-8") as file, closing(_answers(wanted, todo)) as answers:
        for count, answer in enumerate(answers, start=1):
            file.write(json.dumps(answer, allow_nan=False) + "\n")
            file.flush()
            progress(len(machines) - len(todo) + count, len(machines))
    return path


def _header(seed: int) -> dict[str, Any]:
    """What all answers of one file have in common."""
    return {
        "form": FORM,
        "seed": seed,
        "version": metadata.version("screw-forensics"),
        "rules": rules_in_use(),
        "code": code_in_use(),
    }


def _begun(path: Path, header: dict[str, Any]) -> set[int]:
    """Numbers of the machines that the file holds whole; a line that was cut short by a stop is taken off."""
    if not path.is_file() or not path.stat().st_size:
        path.write_text(json.dumps(header) + "\n", encoding="utf-8")
        return set()
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    if not lines[-1].endswith("\n"):
        path.write_text("".join(lines[:-1]), encoding="utf-8")
        lines = lines[:-1]
    found = _parsed(lines[0], path) if lines else {}
    differs = [key for key in header if found.get(key) != header[key]]
    if differs:
        text = f"holds answers of another study (not the same: {', '.join(differs)})"
        raise InputError([Problem(text, file=str(path), remedy="Choose another folder with --out.")])
    return {_parsed(line, path, row)["machine"]["number"] for row, line in enumerate(lines[1:], start=2)}


def _parsed(line: str, path: Path, row: int = 1) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(line)
    except ValueError:
        problem = Problem("can't be read as an answer of the study", file=str(path), row=row)
        raise InputError([problem]) from None
    return found


def read_answers(path: Path, cases: int | None = None) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Header and machines of a file of answers, in the order of the plan, whatever order they were judged in.

    Parameters
    ----------
    cases
        Only machines of a plan of so many cases; None: all.
    """
    lines = path.read_text(encoding="utf-8").splitlines()
    header = _parsed(lines[0], path)
    found = [_parsed(line, path, row) for row, line in enumerate(lines[1:], start=2)]
    if cases is not None:
        wanted = {machine.number for machine in plan(cases, header["seed"])}
        found = [answer for answer in found if answer["machine"]["number"] in wanted]
    return header, sorted(found, key=lambda answer: int(answer["machine"]["number"]))


def _answers(wanted: StudyPlan, todo: Sequence[Machine]) -> Generator[dict[str, Any], None, None]:
    if wanted.scheduler:
        return _on_cluster(wanted.scheduler, todo)
    return _in_pool(min(wanted.workers, len(todo)), todo)


def _in_pool(workers: int, todo: Iterable[Machine]) -> Generator[dict[str, Any], None, None]:
    if not workers:
        return
    # A fresh interpreter each, told before it loads numpy that one thread does: on matrices as small as those of a case
    # several threads wait for each other most of the time.
    fresh = multiprocessing.get_context("spawn")
    with _safe_path():
        pool = ProcessPoolExecutor(workers, fresh, initializer=os.putenv, initargs=("OPENBLAS_NUM_THREADS", "1"))
        try:
            for future in as_completed([pool.submit(judge_machine, machine) for machine in todo]):
                yield future.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _safe_path() -> Iterator[None]:
    """Processes that are started within it import nothing from the working directory: a folder may be anybody's."""
    before = dict(os.environ)
    try:
        _put(safe_environment(before))
        yield
    finally:
        _put(before)


def _put(wanted: Mapping[str, str]) -> None:
    for name in set(os.environ) - set(wanted):
        del os.environ[name]
    os.environ.update(wanted)


def _on_cluster(address: str, todo: Sequence[Machine]) -> Generator[dict[str, Any], None, None]:
    try:
        dask = import_module("distributed")
    except ImportError:
        remedy = "Install the extra 'cluster'."
        raise InputError([Problem("a scheduler needs dask.distributed", remedy=remedy)]) from None
    try:
        client = dask.Client(address, timeout=ANSWER_WITHIN, set_as_default=False)
    except (OSError, ValueError) as fault:
        text = f"no scheduler answers: {str(fault).splitlines()[0]}"
        raise InputError([Problem(text, file=address, remedy="Start it, or correct --scheduler.")]) from None
    with client:
        futures = client.map(judge_machine, todo, pure=False)
        try:
            for future in dask.as_completed(futures):
                yield future.result()
        finally:
            client.cancel(futures)
