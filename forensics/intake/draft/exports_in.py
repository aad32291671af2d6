"""Which files of those given are exports: folders are searched, and of a waveform record one file stands for all."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.intake.exhibits import sibling

# photographs, papers and files of this program are no exports
NO_EXPORTS = frozenset(
    {
        ".toml",
        ".json",
        ".html",
        ".ipynb",
        ".jpg",
        ".jpeg",
        ".png",
        ".pdf",
        ".docx",
        ".md",
        ".yaml",
        ".yml",
        ".py",
        ".pem",
    }
)
_BESIDE_CFG = frozenset({".dat", ".hdr", ".inf"})


def exports_in(given: Sequence[Path]) -> list[Path]:
    """Files and folders as a list of exports, each once.

    Raises
    ------
    InputError
        Something is not there, a folder holds no export, or an archive holds several: all at once.
    """
    problems: list[Problem] = []
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            inside = [p for p in sorted(path.rglob("*")) if p.is_file() and _may_be(p, path)]
            if not inside:
                problems.append(Problem("the folder holds no export", file=str(path), remedy="Check the path."))
            found += inside
        elif not path.is_file():
            problems.append(Problem("the file is not there", file=str(path), remedy="Check the path."))
        else:
            problems += _packed(path)
            found.append(path)
    if problems:
        raise InputError(problems)
    return list(dict.fromkeys(path for path in found if not _beside(path)))


def _may_be(path: Path, folder: Path) -> bool:
    hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
    return not hidden and path.suffix.casefold() not in NO_EXPORTS


def _beside(path: Path) -> bool:
    return path.suffix.casefold() in _BESIDE_CFG and sibling(path, ".cfg") is not None


def _packed(path: Path) -> Iterable[Problem]:
    """An archive of several exports is no export: a case names each by its own path."""
    if path.suffix.casefold() != ".zip":
        return []
    try:
        with zipfile.ZipFile(path) as archive:
            names = [name for name in archive.namelist() if not name.endswith("/")]
    except (OSError, zipfile.BadZipFile):
        return [Problem("can't be read as an archive", file=str(path), remedy="Pack it again.")]
    if len(names) <= 1:
        return []
    remedy = "Unpack it beside the case file, and give the folder."
    return [
        Problem(
            f"the archive holds {len(names)} files; a case names each export by its path", file=str(path), remedy=remedy
        )
    ]
