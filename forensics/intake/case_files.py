"""Which files a case stands on, in the layout relative to its case file; and one hash of them all.

Used to seal a case, to fetch one from shared storage, and to tell whether its inputs are what they were.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from forensics.case.schema import CaseFile, read_case_file
from forensics.errors import InputError, Problem
from forensics.intake.exhibits import hash_of, sibling, source_files
from forensics.rules import FOLDER

WAVEFORM_PARTS = (".cfg", ".dat", ".hdr", ".inf")
CUSTODY_LOG = "custody.csv"


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
        ``case file``, ``export``, ``part of a waveform record``, ``photograph``, ``sequence profile``,
        ``saturation table`` or ``custody log``.
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
        (seen.photo.replace("\\", "/"), "photograph", f"observation[{n}].photo")
        for n, seen in enumerate(casefile.observation, start=1)
        if seen.photo
    ]
    if not (FOLDER / "sequences" / f"{machine.sequence}.toml").is_file():
        named.append((machine.sequence, "sequence profile", "machine.sequence"))
    if machine.saturation_table:
        named.append((machine.saturation_table, "saturation table", "machine.saturation_table"))
    return tuple(named)


def _existing(case: Path, named: Iterable[tuple[str, str, str]]) -> tuple[CaseInput, ...]:
    folder = case.parent
    found = {case.name: CaseInput(case.name, case, "case file")}
    problems: list[Problem] = []
    for path, kind, key in named:
        file = folder / path
        if PurePosixPath(path).is_absolute() or ".." in PurePosixPath(path).parts or ":" in path[:2]:
            text = f"'{path}' lies outside the folder of the case file"
            problems.append(Problem(text, file=case.name, column=key, remedy="Move it beside the case file."))
        elif not file.is_file():
            remedy = "Put it there or correct the path."
            problems.append(Problem(f"'{path}' is not there", file=case.name, column=key, remedy=remedy))
        else:
            for part in (CaseInput(path, file, kind), *_parts(path, file)):
                found.setdefault(part.path, part)
    if problems:
        raise InputError(problems)
    log = folder / CUSTODY_LOG
    if log.is_file():
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
