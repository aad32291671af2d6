"""Copies the notebooks and a demonstration case into a folder, ready to be opened and changed.

JupyterLab starts its kernels in the folder of a notebook, and what lies there is imported before anything else: a
folder that holds Python files is refused.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.report.notebooks import notebook_path

NAMES = ("incident", "explore", "tutorial", "intake", "clocks", "starts_and_stops", "waveform", "sites")
CASE_NAME = "case.toml"
RUNNABLE = frozenset({".py", ".pyc", ".pyd", ".so", ".pth", ".pyw"})
_MOST_NAMED = 5


def copy_notebooks(folder: Path, demonstration: Path) -> tuple[Path, ...]:
    """Copy the notebooks, and the demonstration case where the folder has no case of its own.

    Parameters
    ----------
    demonstration
        Case file of the demonstration case; what lies in its folder comes with it.

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    InputError
        The folder holds Python files, a file is there already, or it can't be written to: all at once, and then
        nothing is written.
    """
    wanted = {folder / f"{name}.ipynb": notebook_path(name) for name in NAMES}
    if not (folder / CASE_NAME).exists():
        base = demonstration.parent
        wanted |= {folder / p.relative_to(base): p for p in sorted(base.rglob("*")) if p.is_file()}
    problems = [*_python_files(folder), *_there_already(folder, wanted)]
    if problems:
        raise InputError(problems)
    try:
        for target, source in wanted.items():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, target)
    except OSError as fault:
        raise InputError([Problem(f"can't be written to ({fault.strerror})", file=str(folder))]) from None
    return tuple(wanted)


def _there_already(folder: Path, wanted: dict[Path, Path]) -> list[Problem]:
    if folder.exists() and not folder.is_dir():
        return [Problem("is no folder", file=str(folder), remedy="Give another one.")]
    remedy = "Nothing is overwritten: give another folder, or take it away."
    there = [target for target in wanted if target.exists()]
    return [Problem("is there already", file=str(path), remedy=remedy) for path in there]


def _python_files(folder: Path) -> list[Problem]:
    found = [path for path, _ in zip(_runnable(folder), range(_MOST_NAMED), strict=False)]
    remedy = "Give an empty folder: JupyterLab would run what lies beside a notebook."
    return [Problem("holds Python that a notebook beside it would run", file=str(p), remedy=remedy) for p in found]


def _runnable(folder: Path) -> Iterator[Path]:
    for place, _, names in os.walk(folder):
        for name in sorted(names):
            if Path(name).suffix.lower() in RUNNABLE:
                yield Path(place) / name
