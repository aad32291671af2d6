"""Unpacks a bag that comes as a ZIP archive into a scratch folder, and nowhere else."""

from __future__ import annotations

import shutil
import stat
import zipfile
from pathlib import Path, PurePosixPath

from forensics.errors import InputError, Problem
from forensics.model.paths import open_regular
from forensics.seal.contents import list_files

MOST_FILES = 100_000
MOST_BYTES = 64 << 30
_CHUNK = 1 << 20
_REMEDY = "Ask for the bag again, as a folder or packed anew."


def unpack(archive: Path, scratch: Path) -> Path:
    """Unpack a bag; returns its folder.

    Raises
    ------
    InputError
        It is no archive, holds no bag, or a name in it leads outside, is no regular file, comes twice or unpacks to
        more than it says.
    """
    try:
        with zipfile.ZipFile(archive) as packed:
            members = packed.infolist()
            problems = _problems(members, archive, scratch)
            if problems:
                raise InputError(problems)
            for member in members:
                _write(packed, member, scratch)
    except (zipfile.BadZipFile, EOFError, ValueError, NotImplementedError, RuntimeError, OSError) as fault:
        raise InputError([Problem(f"can't be unpacked: {fault}", file=str(archive), remedy=_REMEDY)]) from None
    roots = [folder for folder in (scratch, *sorted(scratch.iterdir())) if (folder / "bagit.txt").is_file()]
    if len(roots) != 1:
        raise InputError([Problem("holds no bag, or more than one", file=str(archive), remedy=_REMEDY)])
    return roots[0]


def take_copy(bag: Path, target: Path) -> tuple[Path, list[str]]:
    """Copy the regular files of a bag, each opened once; returns the copy, and a fault for whatever else lies there.

    Raises
    ------
    InputError
        There is no room for it, or a file can't be read.
    """
    files, odd = list_files(bag)
    if odd:
        return target, odd
    needed = sum(path.stat().st_size for path in files.values())
    if len(files) > MOST_FILES or needed > min(MOST_BYTES, shutil.disk_usage(target.parent).free // 2):
        text = f"holds {len(files)} files of {needed // 1_000_000} MB, more than there is room for"
        raise InputError([Problem(text, file=str(bag), remedy="Make room in the folder for temporary files.")])
    try:
        for name, path in files.items():
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            with open_regular(path) as source, (target / name).open("xb") as file:
                shutil.copyfileobj(source, file, _CHUNK)
    except OSError as fault:
        where = str(fault.filename or bag)
        raise InputError([Problem(f"can't be read ({fault.strerror})", file=where, remedy=_REMEDY)]) from None
    target.mkdir(exist_ok=True)
    return target, []


def _problems(members: list[zipfile.ZipInfo], archive: Path, scratch: Path) -> list[Problem]:
    found: list[Problem] = []
    seen: set[str] = set()
    room = min(MOST_BYTES, shutil.disk_usage(scratch).free // 2)

    def add(text: str) -> None:
        found.append(Problem(text, file=str(archive), remedy=_REMEDY))

    if len(members) > MOST_FILES:
        add(f"holds {len(members)} files, more than {MOST_FILES}")
        return found
    if sum(member.file_size for member in members) > room:
        add(f"unpacks to more than the {room // 1_000_000} MB that there is room for")
    for member in members:
        fault = _name_fault(member)
        if fault:
            add(f"{fault}: {member.filename!r}")
        name = member.filename.rstrip("/")
        if name in seen:
            add(f"a name comes twice: {member.filename!r}")
        seen.add(name)
    return found


def _name_fault(member: zipfile.ZipInfo) -> str:
    name = PurePosixPath(member.filename)
    if name.is_absolute() or ".." in name.parts or "\\" in member.filename or ":" in member.filename[:2]:
        return "a name leads outside"
    kind = stat.S_IFMT(member.external_attr >> 16)
    if kind and not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
        return "is no regular file"
    if member.flag_bits & 1:
        return "is encrypted"
    return ""


def _write(packed: zipfile.ZipFile, member: zipfile.ZipInfo, scratch: Path) -> None:
    target = scratch / member.filename
    if member.is_dir():
        target.mkdir(parents=True, exist_ok=True)
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    left = member.file_size
    with packed.open(member) as source, target.open("xb") as file:
        while chunk := source.read(_CHUNK):
            left -= len(chunk)
            if left < 0:
                raise ValueError(f"{member.filename!r} unpacks to more than it says")
            file.write(chunk)
