"""What belongs to one set of results: the files of one run, and the inputs that they were made from, by hash.

The manifest (``results.json``) is written last. A folder whose files are not those of its manifest holds no set.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from forensics.case.schema import CaseFile
from forensics.errors import InputError, Problem
from forensics.intake.case_files import WAVEFORM_PARTS, named_files
from forensics.intake.exhibits import hash_of, sibling
from forensics.results.findings_json import canonical_json

FINDINGS_NAME, SET_ASIDE_NAME, REPORT_NAME, NOTEBOOK_NAME, TABLES_NAME = (
    "findings.json",
    "set_aside.csv",
    "report.html",
    "incident.ipynb",
    "tables",
)
FAILED_NAME, MANIFEST_NAME = "report.FAILED.html", "results.json"
NOT_KEPT = "not kept"
MOST_BYTES = 64 << 20


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class InputRow(_Row):
    """One file that the results stand on; without a hash where it was not there to be read."""

    path: str
    kind: str
    sha256: str | None
    bytes: int | None


class FileRow(_Row):
    """One file of the results."""

    sha256: str
    bytes: int


class ResultSet(_Row):
    """The manifest of a set of results.

    Attributes
    ----------
    made_utc
        As the page says it; empty where there is no page.
    case
        The case file, relative to the folder of the results.
    notebook
        Name of the executed notebook, or ``not kept`` where the set was made without one.
    """

    schema_: Literal[1] = Field(default=1, alias="schema")
    case_id: str
    made_utc: str
    case: str
    notebook: str
    inputs: tuple[InputRow, ...]
    results: dict[str, FileRow]

    @field_validator("results")
    @classmethod
    def _inside(cls, results: dict[str, FileRow]) -> dict[str, FileRow]:
        """A manifest from outside may name no file outside of its folder: what it names is read, and taken away."""
        for name in results:
            if not is_inside(name):
                raise ValueError("a result is named that lies outside the folder")
        return results

    @property
    def tables(self) -> bool:
        """Whether tables belong to the set."""
        return any(name.startswith(f"{TABLES_NAME}/") for name in self.results)

    def text(self) -> str:
        """As it is written."""
        return canonical_json(self.model_dump(mode="json", by_alias=True))

    def with_files(self, files: Mapping[str, bytes], *, made_utc: str = "") -> ResultSet:
        """The same set with further files."""
        more = {name: file_row(content) for name, content in files.items()}
        return self.model_copy(
            update={
                "results": dict(sorted({**self.results, **more}.items())),
                "made_utc": made_utc or self.made_utc,
                "notebook": NOTEBOOK_NAME if NOTEBOOK_NAME in {*self.results, *more} else NOT_KEPT,
            }
        )


def is_inside(name: str) -> bool:
    """Whether a name, as it stands, is that of a file inside the folder that it is joined to."""
    path = PurePosixPath(name)
    plain = name == path.as_posix() and "\\" not in name and ":" not in name and "\0" not in name
    return plain and not path.is_absolute() and bool(path.parts) and ".." not in path.parts


def file_row(content: bytes) -> FileRow:
    """Hash and size of a file's content."""
    return FileRow(sha256=hashlib.sha256(content).hexdigest(), bytes=len(content))


def new_set(
    *, case: Path, casefile: CaseFile, out: Path, inputs: Iterable[InputRow], files: Mapping[str, bytes]
) -> ResultSet:
    """A set of results that lie, or will lie, in ``out``."""
    empty = ResultSet(
        case_id=casefile.case.id,
        made_utc="",
        case=relative(case, out),
        notebook=NOT_KEPT,
        inputs=tuple(inputs),
        results={},
    )
    return empty.with_files(files)


def relative(case: Path, out: Path) -> str:
    """The case file as seen from the results, so that both can be moved together."""
    try:
        return Path(os.path.relpath(case.resolve(), out.resolve())).as_posix()
    except ValueError:  # on another drive
        return case.resolve().as_posix()


def read_set(folder: Path) -> ResultSet | None:
    """The manifest of a folder of results; None where it has none.

    Raises
    ------
    InputError
        It can't be read.
    """
    path = folder / MANIFEST_NAME
    if not path.is_file():
        return None
    try:
        if path.stat().st_size > MOST_BYTES:
            raise ValueError("too large")
        return ResultSet.model_validate_json(path.read_bytes())
    except (OSError, ValueError, ValidationError) as fault:
        first = str(fault).splitlines()[0]
        remedy = "Run the report again."
        raise InputError([Problem(f"can't be read: {first}", file=str(path), remedy=remedy)]) from None


def set_faults(folder: Path, found: ResultSet) -> list[Problem]:
    """What in a folder is not as its manifest says: missing, of another run, or not of the set."""
    problems = []
    remedy = "Run the report again."
    for name, row in found.results.items():
        file = folder / name
        if not file.is_file() or file.is_symlink():
            problems.append(Problem("belongs to the results and is not there", file=name, remedy=remedy))
        elif hash_of(file) != row.sha256:
            problems.append(Problem("is not the one that was made with the other results", file=name, remedy=remedy))
    for name in (FINDINGS_NAME, SET_ASIDE_NAME, REPORT_NAME):
        if name not in found.results:
            text = "is not among the results" if not (folder / name).exists() else "was not made with the other results"
            problems.append(Problem(text, file=name, remedy=remedy))
    listed = {str(PurePosixPath(name)) for name in found.results}
    present = [p.relative_to(folder).as_posix() for p in (folder / TABLES_NAME).rglob("*") if not p.is_dir()]
    for name in sorted({*present, *(n for n in (NOTEBOOK_NAME,) if (folder / n).exists())} - listed):
        problems.append(Problem("was not made with the other results", file=name, remedy="Take it away."))
    return problems


def hash_inputs(case: Path, casefile: CaseFile, known: Mapping[str, str] | None = None) -> tuple[InputRow, ...]:
    """Every file that a case names, hashed; the case file first, none twice.

    Parameters
    ----------
    known
        Hashes by path that were made when the files were read.
    """
    rows: dict[str, InputRow] = {case.name: _input_row(case.name, case, "case file", {})}
    for path, kind, _ in named_files(case, casefile):
        for name, file, what in ((path, case.parent / path, kind), *_parts(path, case.parent / path)):
            rows.setdefault(name, _input_row(name, file, what, known or {}))
    return tuple(rows.values())


def _parts(path: str, file: Path) -> list[tuple[str, Path, str]]:
    if file.suffix.casefold() not in WAVEFORM_PARTS:
        return []
    beside = [part for suffix in WAVEFORM_PARTS if (part := sibling(file, suffix)) is not None and part != file]
    folder = PurePosixPath(path).parent
    return [((folder / part.name).as_posix(), part, "part of a waveform record") for part in beside]


def _input_row(name: str, file: Path, kind: str, known: Mapping[str, str]) -> InputRow:
    try:
        if not file.is_file():  # not there, or a pipe or device that would be read for ever
            return InputRow(path=name, kind=kind, sha256=None, bytes=None)
        return InputRow(path=name, kind=kind, sha256=known.get(name) or hash_of(file), bytes=file.stat().st_size)
    except OSError:
        return InputRow(path=name, kind=kind, sha256=None, bytes=None)


def input_faults(before: Iterable[InputRow], now: Iterable[InputRow], *, origin: str) -> list[Problem]:
    """A problem for each input that is another one now, new or gone; ``origin`` says what came of those before."""
    problems = []
    old, new = {row.path: row for row in before}, {row.path: row for row in now}
    remedy = "Put the original back, or run the report again."
    for path, row in {**old, **new}.items():
        first = old[path].sha256 if path in old else None
        second = new[path].sha256 if path in new else None
        kind = "case file" if row.kind == "case file" else "file"
        if first == second:
            continue
        if second is None:
            text = "is not there any more"
        elif first is None:
            text = f"is not among the files that {origin}"
        else:
            text = f"is not the {kind} that {origin}"
        problems.append(Problem(text, file=path, remedy=remedy))
    return problems
