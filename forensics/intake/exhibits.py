"""Which files a case stands on: their bytes are opened read-only, hashed, and looked at again at the end."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from forensics.case.exports import is_pattern
from forensics.errors import NotTakenError, Problem, Severity
from forensics.model.paths import Identity, identity_of, open_regular

_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Exhibit:
    """One file as evidence: its path as the case gives it, where it lies, hash, size and time of change.

    ``identity`` tells the file that was read from one that takes its place; empty where it was not taken.
    """

    path: str
    file: Path
    sha256: str
    size: int
    modified_ns: int
    identity: Identity | tuple[()] = ()


def hash_of(file: Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal."""
    digest = hashlib.sha256()
    with open_regular(file) as stream:
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def take_exhibit(path: str, file: Path, sha256: str | None = None) -> Exhibit:
    """Take a file as evidence.

    Parameters
    ----------
    path
        As the case file gives it.
    sha256
        The hash where the reader has already made it from the bytes it read.

    Raises
    ------
    OSError
        The file is not there or can't be opened.
    """
    before = file.stat()
    digest = sha256 or hash_of(file)
    return Exhibit(path, file, digest, before.st_size, before.st_mtime_ns, identity_of(before))


def open_again(exhibit: Exhibit, file: Path) -> BinaryIO:
    """Open an exhibit once more, to show lines of it.

    Raises
    ------
    OSError
        It is not there, or is not the file that was read.
    """
    stream = open_regular(file)
    if exhibit.identity and identity_of(os.fstat(stream.fileno())) != exhibit.identity:
        stream.close()
        raise NotTakenError("this is not the file that was read", "Run the case again on a copy.")
    return stream


def check_untouched(exhibits: Iterable[Exhibit]) -> list[Problem]:
    """Look again: a problem for every exhibit whose size or time of change is no longer what it was."""
    problems = []
    for exhibit in exhibits:
        try:
            now = exhibit.file.stat()
        except OSError:
            problems.append(
                Problem("the file is no longer there", file=exhibit.path, remedy="Run the case again on a copy.")
            )
            continue
        same = (now.st_size, now.st_mtime_ns) == (exhibit.size, exhibit.modified_ns)
        if not same or (exhibit.identity and identity_of(now) != exhibit.identity):
            problems.append(
                Problem(
                    "the file changed while it was read",
                    file=exhibit.path,
                    remedy="Close what writes to it, copy it, and run the case on the copy.",
                    severity=Severity.STOP,
                )
            )
    return problems


def source_files(path: str, folder: Path) -> tuple[str, ...]:
    """Paths of the files that a source names, relative to the folder of the case: itself, or those its pattern fits.

    Names are put in the order of their numbers, so that ``day_2`` stands before ``day_10``.
    """
    if not is_pattern(path) or (folder / path).is_file():
        return (path,)
    parent = PurePosixPath(path).parent
    names = [file.name for file in (folder / parent).glob(PurePosixPath(path).name) if file.is_file()]
    names.sort(key=_by_numbers)
    return tuple((parent / name).as_posix() for name in names)


def _by_numbers(name: str) -> list[tuple[bool, int, str]]:
    parts = re.findall(r"\d+|\D+", name)
    return [(not part.isdecimal(), int(part) if part.isdecimal() else 0, part) for part in parts]


def sibling(file: Path, suffix: str) -> Path | None:
    """The file beside this one with the same name and another ending, whatever the case of its letters."""
    wanted = (file.stem + suffix).casefold()
    if not file.parent.is_dir():
        return None
    return next((path for path in sorted(file.parent.iterdir()) if path.name.casefold() == wanted), None)
