"""A finished case: the folder of its results, and the case file that they were made from."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from forensics.case.read import read_case_file
from forensics.case.schema import CaseFile
from forensics.errors import InputError, Problem
from forensics.intake.case_files import CaseInput, case_inputs
from forensics.report.written.placing import unfinished
from forensics.report.written.result_set import (
    FINDINGS_NAME,
    MANIFEST_NAME,
    NOTEBOOK_NAME,
    ResultSet,
    hash_inputs,
    input_faults,
    read_set,
    set_faults,
)
from forensics.results.findings_json import read_findings
from forensics.results.schema import FindingsFile

FINDINGS = FINDINGS_NAME


@dataclass(frozen=True)
class Finished:
    """One finished case.

    Attributes
    ----------
    folder
        Of the results.
    case
        Path of the case file.
    found
        The manifest of the results, with the hashes of all inputs.
    """

    folder: Path
    case: Path
    casefile: CaseFile
    findings: FindingsFile
    found: ResultSet

    @property
    def limits(self) -> dict[str, float]:
        """Limits that were tried in the run."""
        return {row.limit: row.value for row in self.findings.overrides if row.given_by == "run"}

    def inputs(self) -> tuple[CaseInput, ...]:
        """Files that the case stands on."""
        return case_inputs(self.case)

    def results(self) -> dict[str, str]:
        """Hash by name of the files of the report, tables included."""
        return {name: row.sha256 for name, row in self.found.results.items()}


def open_finished(folder: Path, case: Path | None = None) -> Finished:
    """Open the folder of a finished case: its results must be of one run, and its inputs still those of that run.

    Parameters
    ----------
    case
        The case file, where the folder was moved away from it; by default the manifest of the results tells.

    Raises
    ------
    InputError
        The last run did not finish, a result is missing or of another run, the case file is not found, or an input
        has changed since the report was made: all at once.
    """
    not_finished = unfinished(folder)
    problems = [] if not_finished is None else [not_finished]
    found = read_set(folder)
    if found is None:
        text = "is not there: these results are not known to be of one run"
        problems.append(Problem(text, file=str(folder / MANIFEST_NAME), remedy="Run the report first, or again."))
        raise InputError(problems)
    problems += set_faults(folder, found)
    if problems:
        raise InputError(problems)
    findings = read_findings(folder / FINDINGS)
    path = case or _case_path(folder, found)
    casefile = read_case_file(path)
    problems += _not_of_this_case(found, findings, casefile)
    problems += input_faults(found.inputs, hash_inputs(path, casefile), origin="the report was made from")
    if problems:
        raise InputError(problems)
    return Finished(folder, path, casefile, findings, found)


def _not_of_this_case(found: ResultSet, findings: FindingsFile, casefile: CaseFile) -> list[Problem]:
    """Findings that tell of other exports, or of another case, than the manifest beside them."""
    problems = []
    remedy = "Run the report again."
    if not findings.case.id == found.case_id == casefile.case.id:
        text = f"is of case '{findings.case.id}', the case file of '{casefile.case.id}'"
        problems.append(Problem(text, file=FINDINGS, remedy=remedy))
    hashed = {row.path: row.sha256 for row in found.inputs}
    for source in findings.sources:
        if hashed.get(source.path) != source.sha256:
            text = f"was made from another '{source.path}' than the other results"
            problems.append(Problem(text, file=FINDINGS, remedy=remedy))
    return problems


def _parameters(notebook: Path) -> Mapping[str, Any]:
    """Parameters of a run, as papermill notes them in the notebook that it ran; none where it was not kept."""
    try:
        return dict(json.loads(notebook.read_text(encoding="utf-8"))["metadata"]["papermill"]["parameters"])
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _case_path(folder: Path, found: ResultSet) -> Path:
    """Where the case file lies: as far from the results as it was then, or as the run had it."""
    moved = Path(os.path.normpath(folder.resolve() / found.case))
    noted = Path(str(_parameters(folder / NOTEBOOK_NAME).get("case", "")))
    for path in (moved, noted):
        if path.is_file():
            return path
    name = Path(found.case).name
    remedy = "Put the results back where they were made, beside their case file, or name it with --case."
    raise InputError([Problem(f"the case file '{name}' is not found", file=str(folder), remedy=remedy)])
