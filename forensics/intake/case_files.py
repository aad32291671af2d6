"""Which files a case stands on, in the layout relative to its case file; and one hash of them all.

Used to seal a case, to fetch one from shared storage, and to tell whether its inputs are what they were.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from forensics.case.contradictions import Gap
from forensics.case.job import JobTables
from forensics.case.job_files import job_files
from forensics.case.read import read_case_file
from forensics.case.schema import CaseFile
from forensics.errors import InputError, Problem
from forensics.intake.exhibits import hash_of, sibling, source_files
from forensics.model.paths import (
    EXPORT_BYTES,
    FINDINGS_BYTES,
    PHOTO_BYTES,
    TABLE_BYTES,
    is_inside,
    is_there,
    name_fault,
    path_problem,
)
from forensics.rules import FOLDER

WAVEFORM_PARTS = (".cfg", ".dat", ".hdr", ".inf")
CUSTODY_LOG = "custody.csv"
MOST_BYTES = {
    "export": EXPORT_BYTES,
    "photograph": PHOTO_BYTES,
    "document": EXPORT_BYTES,
    "earlier findings": FINDINGS_BYTES,
    "sequence profile": TABLE_BYTES,
    "saturation table": TABLE_BYTES,
}


LOOKED_AT = ("photograph", "document", "earlier findings")


@dataclass(frozen=True, slots=True)
class CaseInput:
    """One file that a case stands on.

    Attributes
    ----------
    path
        Relative to the folder of the case file, with forward slashes.
    file
        Where it lies.
    kind
        ``case file``, ``export``, ``part of a waveform record``, ``photograph``, ``document``,
        ``earlier findings``, ``sequence profile``, ``saturation table`` or ``custody log``.
    """

    path: str
    file: Path
    kind: str


def case_inputs(case: Path) -> tuple[CaseInput, ...]:
    """Every file that a case stands on: the case file first, then in the order it names them, none twice.

    Raises
    ------
    InputError
        The case file can't be read, a file it names is not there, or lies outside its folder: all at once.
    """
    return _existing(case, named_files(case, read_case_file(case)))


def named_files(case: Path, casefile: CaseFile) -> tuple[tuple[str, str, str], ...]:
    """Path, kind and key of every file that the case file names, whether it is there or not."""
    machine = casefile.machine
    named = [
        (path, "export", f"source[{n}].path")
        for n, source in enumerate(casefile.source, start=1)
        for path in source_files(source.path, case.parent) or (source.path,)
    ]
    named += [
        (path.replace("\\", "/"), kind, f"observation[{n}].{key}")
        for n, seen in enumerate(casefile.observation, start=1)
        for key, kind, paths in (("photo", "photograph", seen.photo), ("document", "document", seen.document))
        for path in paths
    ]
    named += [
        (path.replace("\\", "/"), "document", f"measurement[{n}].document")
        for n, measured in enumerate(casefile.measurement, start=1)
        for path in measured.document
    ]
    named += [
        (path.replace("\\", "/"), kind, f"fact[{n}].{key}")
        for n, fact in enumerate(casefile.fact, start=1)
        for key, kind, paths in (("document", "document", fact.document), ("photo", "photograph", fact.photo))
        for path in paths
    ]
    if machine.sequence not in {path.stem for path in (FOLDER / "sequences").glob("*.toml")}:
        named.append((machine.sequence.replace("\\", "/"), "sequence profile", "machine.sequence"))
    if machine.saturation_table:
        named.append((machine.saturation_table.replace("\\", "/"), "saturation table", "machine.saturation_table"))
    return (*named, *job_files(casefile))


def named_path_problems(case: Path, casefile: CaseFile) -> tuple[Problem, ...]:
    """What is wrong with the paths that a case names; an export or profile that is not there is told by its reader."""
    folder, found = case.parent, []
    for name, kind, key in named_files(case, casefile):
        if kind in LOOKED_AT:
            found.append(path_problem(folder, name, MOST_BYTES[kind], file=case.name, key=key))
    found.append(_supersedes_problem(case, casefile.case.supersedes))
    return tuple(problem for problem in found if problem is not None)


def earlier_hash_problems(case: Path, casefile: CaseFile) -> tuple[Problem, ...]:
    """The earlier findings of a follow-up are those whose hash the case gives; one that is not there is told before."""
    row = casefile.follow_up
    if row is None or not row.sha256 or not is_there(case.parent, row.findings):
        return ()
    if path_problem(case.parent, row.findings, FINDINGS_BYTES) is not None:
        return ()
    found = hash_of(case.parent / row.findings)
    if found == row.sha256:
        return ()
    what = f"'{row.findings}' has SHA-256 {found}, the case file gives {row.sha256}"
    remedy = "Fetch the findings that were meant, or correct the hash."
    return (Problem(what, file=case.name, column="follow_up.sha256", remedy=remedy),)


def custody_hash_gaps(case: Path, job: JobTables) -> tuple[Gap, ...]:
    """Every file of a hand-over against the hash that its row gives; the file as it lies here against what was told."""
    found = []
    for n, row in enumerate(job.custody, start=1):
        where = f"custody {n} ({row.item})"
        if row.sha256 and len(row.file) > 1:
            found.append(Gap("custody", where, "one hash stands for several files: a row for each file"))
            continue
        for name in row.file if row.sha256 else ():
            if path_problem(case.parent, name, EXPORT_BYTES) is not None:
                continue  # told with the other files of the case
            lies = hash_of(case.parent / name)
            if lies != row.sha256:
                what = f"'{name}' has SHA-256 {lies}, the row gives {row.sha256}"
                found.append(Gap("custody", where, what, contradicts=True))
    return tuple(found)


def _supersedes_problem(case: Path, earlier: str) -> Problem | None:
    """The findings, folder or bag of an earlier revision; the id of a bundle that is not at hand names no path."""
    folder, key = case.parent, "case.supersedes"
    if not earlier or not (name_fault(earlier) or is_there(folder, earlier)):
        return None
    if not is_inside(folder, earlier) or not (folder / earlier).is_dir():
        return path_problem(folder, earlier, FINDINGS_BYTES, file=case.name, key=key)
    name = f"{earlier}/findings.json"
    return path_problem(folder, name, FINDINGS_BYTES, file=case.name, key=key) if is_there(folder, name) else None


def _existing(case: Path, named: Iterable[tuple[str, str, str]]) -> tuple[CaseInput, ...]:
    folder = case.parent
    found = {case.name: CaseInput(case.name, case, "case file")}
    problems: list[Problem] = []
    for path, kind, key in named:
        wrong = path_problem(folder, path, MOST_BYTES[kind], file=case.name, key=key)
        if wrong is not None:
            problems.append(wrong)
            continue
        file = folder / path
        for part in (CaseInput(path, file, kind), *_parts(path, file)):
            beside = path_problem(folder, part.path, EXPORT_BYTES, file=case.name, key=key)
            if beside is not None:
                problems.append(beside)
            found.setdefault(part.path, part)
    if problems:
        raise InputError(problems)
    log = folder / CUSTODY_LOG
    if log.is_file() and path_problem(folder, CUSTODY_LOG, TABLE_BYTES) is None:
        found.setdefault(CUSTODY_LOG, CaseInput(CUSTODY_LOG, log, "custody log"))
    return tuple(found.values())


def _parts(path: str, file: Path) -> list[CaseInput]:
    """The other files of a waveform record: same name, another ending."""
    if file.suffix.casefold() not in WAVEFORM_PARTS:
        return []
    beside = [part for suffix in WAVEFORM_PARTS if (part := sibling(file, suffix)) is not None and part != file]
    parent = PurePosixPath(path).parent
    return [CaseInput((parent / part.name).as_posix(), part, "part of a waveform record") for part in beside]


def inputs_hash(inputs: Iterable[CaseInput]) -> str:
    """One SHA-256 over path and content of all inputs; the same bytes in the same layout give the same hash."""
    digest = hashlib.sha256()
    for item in sorted(inputs, key=lambda i: i.path):
        digest.update(f"{item.path}\0{hash_of(item.file)}\n".encode())
    return digest.hexdigest()
