"""What a batch is to do: which cases, into which folders, under which limits; and the row each case comes to."""

from __future__ import annotations

import hashlib
import os
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Literal

from forensics.batch.storage import is_address, join, read_bytes
from forensics.case.read import toml_data
from forensics.errors import InputError, Problem
from forensics.model.paths import CASE_FILE_BYTES

Result = Literal["done", "skipped", "to correct", "failed", "not run"]
SHORT = 8
_ID = re.compile(r"[A-Za-z0-9_-]{1,100}")


@dataclass(frozen=True)
class BatchPlan:
    """One batch.

    Attributes
    ----------
    cases
        Paths of case files; an address such as ``s3://…`` is read through fsspec.
    out
        Folder of all results, a subfolder a case; may be such an address, too.
    workers
        Processes on this machine, where no scheduler is given.
    scheduler
        Address of a running dask.distributed scheduler, or empty.
    resume
        Whether cases whose inputs and software are unchanged are left as they are.
    case_limit_s, memory_limit_mib
        A case that runs longer, or whose processes together hold more, is stopped and named.
    """

    cases: tuple[str | Path, ...]
    out: str | Path
    workers: int = 1
    scheduler: str = ""
    resume: bool = False
    case_limit_s: float | None = None
    memory_limit_mib: float | None = None
    progress: bool = False

    def check(self) -> None:
        """Refuse a plan that can't be carried out.

        Raises
        ------
        InputError
            No case, no worker, or a limit that is not above zero: all at once.
        """
        faults = []
        if not self.cases:
            faults.append(("no case is given", "cases"))
        if self.workers < 1:
            faults.append((f"{self.workers} workers can't run a case", "--workers"))
        for value, name in ((self.case_limit_s, "--case-limit"), (self.memory_limit_mib, "--memory-limit")):
            if value is not None and value <= 0:
                faults.append((f"a limit of {value:g} lets no case run", name))
        if faults:
            raise InputError([Problem(text, column=name, remedy="Give another value.") for text, name in faults])


@dataclass(frozen=True, slots=True)
class Job:
    """One case of a batch, complete in itself, so that any machine can run it.

    Attributes
    ----------
    software
        Hash of the software of whoever planned it; a worker with another refuses.
    token
        Names the batch: its half-done work lies apart from that of any other.
    """

    name: str
    case: str
    out: str
    software: str
    token: str
    resume: bool = False
    case_limit_s: float | None = None
    memory_limit_mib: float | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one case.

    Attributes
    ----------
    why
        For a case that is not done: what to correct, or what stopped it.
    changed
        Where the folder held an earlier result: what differs in verdict, grades and findings, and the causes.
    """

    name: str
    case: str
    result: Result
    why: str = ""
    status: str = ""
    mode: str = ""
    grade: str = ""
    wall_s: float = 0.0
    peak_mib: float = 0.0
    changed: tuple[str, ...] = field(default_factory=tuple)
    verdict_changed: bool = False


def plan_jobs(plan: BatchPlan, software: str, token: str) -> tuple[Job, ...]:
    """One job a case, each with a folder of its own; a case given twice is run once.

    The folder is named by the case id; cases of one id, and case files that can't be read, get a short hash of
    their path, so that a later run finds the same folder.

    Raises
    ------
    InputError
        The results of a case would lie in the folder of a case file.
    """
    cases = list(dict.fromkeys(_whole(case) for case in plan.cases))
    ids = {case: _case_id(case) for case in cases}
    often = Counter(ids.values())
    jobs, problems = [], []
    for case in cases:
        name = ids[case]
        if not name or often[name] > 1:
            base = name or PurePosixPath(case.replace("\\", "/")).parent.name or "case"
            name = f"{base}-{hashlib.sha256(case.encode()).hexdigest()[:SHORT]}"
        out = join(plan.out, name)
        if out == _whole(plan.out) or any(_parent(other) == out for other in cases):
            remedy = "Give another folder with --out."
            problems.append(Problem("results would lie among the originals of a case", file=out, remedy=remedy))
        jobs.append(
            Job(
                name=name,
                case=case,
                out=out,
                software=software,
                token=token,
                resume=plan.resume,
                case_limit_s=plan.case_limit_s,
                memory_limit_mib=plan.memory_limit_mib,
            )
        )
    if problems:
        raise InputError(problems)
    return tuple(jobs)


def _whole(path: str | Path) -> str:
    return str(path) if is_address(path) else os.path.realpath(path)


def _parent(case: str) -> str:
    return case.rpartition("/")[0] if is_address(case) else str(Path(case).parent)


def _case_id(case: str) -> str:
    """The id in a case file, or nothing where it can't be had: the run itself will say why.

    Only the id is looked at, of a regular file of bounded size, so that no case file can hold up or end a batch.
    """
    try:
        data, _ = toml_data(read_bytes(case, most_bytes=CASE_FILE_BYTES))
        found = data["case"]["id"]
    except (InputError, OSError, KeyError, TypeError):
        return ""
    return found if isinstance(found, str) and _ID.fullmatch(found) else ""
