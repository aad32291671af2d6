"""The steps of the tutorial that lie outside a workbook: a folder for the case, its draft, and answers to it."""

from __future__ import annotations

import shutil
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.intake.case_files import case_inputs
from forensics.intake.draft.answers import Answers, answered
from forensics.intake.draft.draft import draft_case
from forensics.intake.draft.exports_in import exports_in
from forensics.report.checking.check import check_case_folder

CASE_NAME = "case.toml"
_EXPORTS = frozenset({"export", "part of a waveform record"})


def prepare(answers: str | Path, folder: str | Path) -> Path:
    """Copy the exports that a finished case names into an empty folder; returns it.

    Raises
    ------
    InputError
        The case file is not there or can't be read, or the folder holds something.
    """
    source, target = Path(answers), Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputError([Problem("is no empty folder", file=str(target), remedy="Give another one.")])
    _copy(source, target, exports=True)
    return target


def _copy(source: Path, target: Path, *, exports: bool) -> None:
    """Copy the exports of a case, or all else that it names: its papers and photographs."""
    for found in case_inputs(source):
        if found.path == source.name or (found.kind in _EXPORTS) != exports:
            continue
        copy = target / found.path
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(found.file, copy)


def draft(folder: Path) -> str:
    """Draft the case file of the copied exports, as the command does; returns its text and leaves it in the folder."""
    text = answered(draft_case(exports_in([folder]), folder / CASE_NAME), Answers())
    (folder / CASE_NAME).write_text(text, encoding="utf-8")
    return text


def answer(folder: Path, answers: str | Path) -> str:
    """Put the answers in place of the draft, and their papers beside it; returns what ``check`` says of the case.

    Raises
    ------
    InputError
        The case must be corrected.
    """
    _copy(Path(answers), folder, exports=False)
    shutil.copyfile(Path(answers), folder / CASE_NAME)
    return check_case_folder(folder / CASE_NAME)
