"""Where cases and results lie: folders of this machine, or shared and object storage through fsspec.

A path with ``://`` is an address; everything else is a path of the file system. fsspec is needed for addresses only
(the extra ``cluster``).
"""

from __future__ import annotations

import errno
import fnmatch
import posixpath
from pathlib import Path
from typing import Any

from forensics.case.exports import is_pattern
from forensics.case.read import read_case_file
from forensics.errors import InputError, Problem
from forensics.intake.case_files import CUSTODY_LOG, WAVEFORM_PARTS, named_files
from forensics.model.paths import EXPORT_BYTES, read_regular


def is_address(path: str | Path) -> bool:
    """Whether a path is an address of a storage rather than a path of the file system."""
    return "://" in str(path)


def join(folder: str | Path, name: str) -> str:
    """A name inside a folder or an address."""
    return f"{str(folder).rstrip('/')}/{name}" if is_address(folder) else str(Path(folder).resolve() / name)


def file_system(address: str) -> tuple[Any, str]:
    """The file system of an address, and the path in it.

    Raises
    ------
    InputError
        fsspec is not installed, or knows no such storage.
    """
    try:
        from fsspec.core import url_to_fs
    except ImportError:
        remedy = "Install the extra 'cluster'."
        raise InputError([Problem("an address needs fsspec", file=address, remedy=remedy)]) from None
    try:
        found: tuple[Any, str] = url_to_fs(address)
    except (ImportError, ValueError, OSError) as fault:
        raise InputError([Problem(f"can't be reached: {fault}", file=address)]) from None
    return found


def read_bytes(path: str, *, most_bytes: int | None = None) -> bytes:
    """The bytes of a file or an address; OSError where it is not there, or larger than ``most_bytes``."""
    if not is_address(path):
        return read_regular(Path(path), EXPORT_BYTES if most_bytes is None else most_bytes)
    system, inside = file_system(path)
    if most_bytes is None:
        return bytes(system.cat_file(inside))
    content = bytes(system.cat_file(inside, start=0, end=most_bytes + 1))
    if len(content) > most_bytes:
        raise OSError(errno.EFBIG, "the file is too large", path)
    return content


def write_bytes(path: str, content: bytes) -> None:
    """Write a file or an address as a whole."""
    if is_address(path):
        system, inside = file_system(path)
        system.makedirs(posixpath.dirname(inside), exist_ok=True)
        system.pipe_file(inside, content)
        return
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f".{target.name}.part")
    try:
        part.write_bytes(content)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


def fetch_case(address: str, folder: Path) -> Path:
    """Copy a case file and everything that it names from an address into a folder, in the same layout.

    What is not there is not copied: the run says so. The other parts of a waveform record come with it.

    Raises
    ------
    InputError
        The case file is not there or can't be read.
    """
    system, inside = file_system(address)
    case = folder / posixpath.basename(inside)
    try:
        system.get_file(inside, str(case))
    except OSError as fault:
        raise InputError([Problem(f"the case file can't be had: {fault}", file=address)]) from None
    base = posixpath.dirname(inside)
    wanted = [path for path, _, _ in named_files(case, read_case_file(case))]
    listed: dict[str, list[str]] = {}
    for path in [*wanted, CUSTODY_LOG]:
        parent = posixpath.dirname(posixpath.join(base, path))
        if parent not in listed:
            listed[parent] = _listing(system, parent)
        for name in listed[parent]:
            if _belongs(posixpath.basename(name), posixpath.basename(path)):
                target = folder / posixpath.dirname(path) / posixpath.basename(name)
                if not target.resolve().is_relative_to(folder.resolve()):
                    continue
                target.parent.mkdir(parents=True, exist_ok=True)
                if not target.exists():
                    system.get_file(name, str(target))
    return case


def _listing(system: Any, folder: str) -> list[str]:
    try:
        return [str(name) for name in system.ls(folder, detail=False)]
    except OSError:
        return []


def _belongs(name: str, wanted: str) -> bool:
    """The file itself, or another part of the same waveform record."""
    stem, ending = posixpath.splitext(wanted)
    if name == wanted or (is_pattern(wanted) and fnmatch.fnmatchcase(name, wanted)):
        return True
    if ending.casefold() not in WAVEFORM_PARTS:
        return False
    other, suffix = posixpath.splitext(name)
    return other.casefold() == stem.casefold() and suffix.casefold() in WAVEFORM_PARTS
