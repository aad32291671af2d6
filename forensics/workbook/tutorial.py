"""The steps of the tutorial that lie outside a workbook: a folder for the case, its draft, and answers to it."""

from __future__ import annotations

import shutil
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.intake.case_files import case_inputs
from forensics.intake.draft.draft import draft_case
from forensics.report.checking.check import check_case_folder

CASE_NAME = "case.toml"
# a waveform record goes by its .cfg file; photographs are no exports
_NO_EXPORTS = frozenset({".dat", ".toml", ".jpg", ".jpeg", ".png"})


def prepare(answers: str | Path, folder: str | Path) -> Path:
    """Copy what a finished case names, but not the case itself, into an empty folder; returns it.

    Raises
    ------
    InputError
        The case file is not there or can't be read, or the folder holds something.
    """
    source, target = Path(answers), Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputError([Problem("is no empty folder", file=str(target), remedy="Give another one.")])
    for found in case_inputs(source):
        if found.path == source.name:
            continue
        copy = target / found.path
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(found.file, copy)
    return target


def draft(folder: Path) -> str:
    """Draft the case file of the copied exports; returns its text and leaves it in the folder."""
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p.suffix.casefold() not in _NO_EXPORTS)
    text = draft_case(files, folder / CASE_NAME)
    (folder / CASE_NAME).write_text(text, encoding="utf-8")
    return text


def answer(folder: Path, answers: str | Path) -> str:
    """Put the answers in place of the draft; returns what ``check`` says of the case.

    Raises
    ------
    InputError
        The case must be corrected.
    """
    shutil.copyfile(Path(answers), folder / CASE_NAME)
    return check_case_folder(folder / CASE_NAME)
