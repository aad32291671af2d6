"""A finished case: the folder of its results, and the case file that they were made from."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from forensics.case.schema import CaseFile, read_case_file
from forensics.errors import InputError, Problem
from forensics.intake.case_files import CaseInput, case_inputs
from forensics.intake.exhibits import hash_of
from forensics.results.schema import FindingsFile, read_findings

FINDINGS, REPORT, SET_ASIDE, NOTEBOOK, FAILED = (
    "findings.json",
    "report.html",
    "set_aside.csv",
    "incident.ipynb",
    "report.FAILED.html",
)
RESULTS = (FINDINGS, REPORT, SET_ASIDE, NOTEBOOK)
TABLES = "tables"


@dataclass(frozen=True)
class Finished:
    """One finished case.

    Attributes
    ----------
    folder
        Of the results.
    case
        Path of the case file.
    parameters
        What the incident notebook was run with.
    """

    folder: Path
    case: Path
    casefile: CaseFile
    findings: FindingsFile
    parameters: Mapping[str, Any]
    made_utc: str

    @property
    def limits(self) -> dict[str, float]:
        """Limits that were tried by hand in the run."""
        given = self.parameters.get("limits") or {}
        return {str(k): float(v) for k, v in dict(given).items()}

    def inputs(self) -> tuple[CaseInput, ...]:
        """Files that the case stands on."""
        return case_inputs(self.case)

    def results(self) -> tuple[Path, ...]:
        """Files of the report, tables included."""
        tables = sorted((self.folder / TABLES).rglob("*")) if (self.folder / TABLES).is_dir() else []
        return (*(self.folder / name for name in RESULTS), *(t for t in tables if t.is_file()))


def open_finished(folder: Path, case: Path | None = None) -> Finished:
    """Open the folder of a finished case and check that its inputs are still those of the report.

    Parameters
    ----------
    case
        The case file, where the folder was moved away from it; by default the executed notebook tells.

    Raises
    ------
    InputError
        A result is missing, the last run did not finish, the case file is not found, or an input has changed
        since the report was made: all at once.
    """
    problems = [
        Problem("is not there", file=str(folder / name), remedy="Run the report first.")
        for name in RESULTS
        if not (folder / name).is_file()
    ]
    if (folder / FAILED).is_file():
        remedy = "Run the report again; a page of an earlier run is not sealed as if it were of this one."
        problems.append(Problem("the last run did not finish", file=str(folder / FAILED), remedy=remedy))
    if problems:
        raise InputError(problems)
    findings = read_findings(folder / FINDINGS)
    parameters, made = _parameters(folder / NOTEBOOK)
    path = case or _case_path(folder, parameters)
    casefile = read_case_file(path)
    _check_unchanged(path, findings)
    return Finished(folder, path, casefile, findings, parameters, made)


def _parameters(notebook: Path) -> tuple[dict[str, Any], str]:
    """Parameters of a run, and when it ended, as papermill notes them in the notebook that it ran."""
    try:
        noted = json.loads(notebook.read_text(encoding="utf-8"))["metadata"]["papermill"]
        return dict(noted["parameters"]), str(noted.get("end_time") or "")
    except (OSError, ValueError, KeyError, TypeError):
        remedy = "Run the report again; the notebook that was run tells with what."
        raise InputError([Problem("does not say how it was run", file=str(notebook), remedy=remedy)]) from None


def _case_path(folder: Path, parameters: Mapping[str, Any]) -> Path:
    """Where the case file lies: as the run had it, or as far from the results as it was then."""
    noted, out = Path(str(parameters.get("case", ""))), Path(str(parameters.get("out", "")))
    if noted.is_file():
        return noted
    if noted.name:
        moved = Path(os.path.normpath(folder.resolve() / os.path.relpath(noted, out)))
        if moved.is_file():
            return moved
    remedy = "Put the results back where they were made, beside their case file."
    raise InputError([Problem(f"the case file '{noted.name}' is not found", file=str(folder), remedy=remedy)])


def _check_unchanged(case: Path, findings: FindingsFile) -> None:
    problems = []
    again = "Put the original back, or run the report again."
    for source in findings.sources:
        file = case.parent / source.path
        if not file.is_file():
            problems.append(Problem("is not there any more", file=source.path, remedy=again))
        elif hash_of(file) != source.sha256:
            problems.append(Problem("is not the file that the report was made from", file=source.path, remedy=again))
    if not problems and _inputs_sha256(case, findings) != findings.reproduce.inputs_sha256:
        problems.append(Problem("is not the case file that the report was made from", file=case.name, remedy=again))
    if problems:
        raise InputError(problems)


def _inputs_sha256(case: Path, findings: FindingsFile) -> str:
    """The hash of all inputs, made the way ``reproduce.inputs_sha256`` is."""
    digest = hashlib.sha256(case.read_bytes())
    for source in sorted(findings.sources, key=lambda s: s.path):
        digest.update(f"{source.path}\0{source.sha256}\n".encode())
    return digest.hexdigest()
