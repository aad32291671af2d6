"""The one gate for paths: whether a name that came from outside is a bounded regular file inside its folder.

Whoever writes a case file or packs a bag chooses the names in it. A name may lead out of the folder, to a pipe that
never answers or to a device that never ends; what is asked for here is looked at before it is opened, opened without
waiting, and looked at once more through the open file.
"""

from __future__ import annotations

import errno
import os
import re
import stat
import unicodedata
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from forensics.errors import InputError, NotTakenError, Problem

CASE_FILE_BYTES = 2 << 20
TABLE_BYTES = 4 << 20
PHOTO_BYTES = 256 << 20
FINDINGS_BYTES = 256 << 20
EXPORT_BYTES = 64 << 30
_LONGEST_NAME, _LONGEST_PART = 1024, 255
_CHUNK = 1 << 20

_ADDRESS = re.compile(r"^[A-Za-z][A-Za-z0-9+.-]*://")
_DRIVE = re.compile(r"^[A-Za-z]:")
_UNFIT = ("Cc", "Cs", "Zl", "Zp")  # controls, lone surrogates, line and paragraph separators
_KINDS = (
    (stat.S_ISDIR, "this is a folder, not a file"),
    (stat.S_ISFIFO, "this is a pipe, not a file"),
    (stat.S_ISCHR, "this is a device, not a file"),
    (stat.S_ISBLK, "this is a device, not a file"),
    (stat.S_ISSOCK, "this is a socket, not a file"),
)
_BESIDE = "Put a copy of the file beside the case file and name that."
_COPY = "Put a copy of the file itself there."


Identity = tuple[int, int, int, int, int]
"""Device, number, size, time of change of the content and of the entry (ns): the last can't be set by hand."""
_FIRST: ContextVar[dict[str, Identity] | None] = ContextVar("first openings", default=None)


def name_fault(name: str) -> str:
    """What forbids a name before anything is looked at on the disk; empty where nothing does."""
    plain = name.replace("\\", "/")
    parts = PurePosixPath(plain).parts
    if not plain.strip():
        return "the path is empty"
    if len(plain) > _LONGEST_NAME:
        return f"the path is longer than {_LONGEST_NAME} characters"
    if any(len(os.fsencode(part)) > _LONGEST_PART for part in parts if part.isprintable()):
        return f"a name in the path is longer than {_LONGEST_PART} bytes"
    if any(unicodedata.category(sign) in _UNFIT for sign in plain):
        return "the path holds control characters"
    if _ADDRESS.match(plain) or plain.startswith("//"):
        return f"'{name}' is a network address"
    if plain.startswith(("/", "~")) or _DRIVE.match(plain) or ".." in parts:
        return f"'{name}' lies outside the folder of the case file"
    return ""


def is_there(folder: Path, name: str) -> bool:
    """Whether anything stands under a name: also what can't be followed, and what may not be read."""
    try:
        os.lstat(folder / name.replace("\\", "/"))
    except (FileNotFoundError, NotADirectoryError):
        return False
    except (OSError, ValueError):
        return True
    return True


def is_inside(folder: Path, name: str) -> bool:
    """Whether a name, with every link on its way followed, stays in the folder."""
    if name_fault(name):
        return False
    whole = Path(os.path.realpath(folder / name.replace("\\", "/")))
    return whole.is_relative_to(os.path.realpath(folder))


def file_inside(folder: Path, name: str, most_bytes: int) -> Path:
    """The file that a name stands for, where it may be read.

    Parameters
    ----------
    folder
        Of the case file, or the ``data`` of a bag: nothing outside of it is taken, links included.
    most_bytes
        A larger file is refused.

    Raises
    ------
    FileNotFoundError
        There is no such file.
    NotTakenError
        The name leads out of the folder, or to what is not a regular file of that size.
    """
    fault = name_fault(name)
    if fault:
        raise NotTakenError(fault, _BESIDE)
    path = folder / name.replace("\\", "/")
    try:
        whole = path.resolve(strict=True)
        inside = whole.is_relative_to(folder.resolve())
    except FileNotFoundError:
        raise
    except (OSError, RuntimeError, ValueError) as caught:
        raise NotTakenError(f"'{name[:80]}' can't be followed ({_words(caught)})", "Correct the path.") from None
    if not inside:
        raise NotTakenError(f"'{name}' is a link that lies outside the folder of the case file", _BESIDE)
    _refuse(whole.stat(), most_bytes)
    return path


def identity_of(found: os.stat_result) -> Identity:
    """What tells a file, as it was, from another one and from itself once it was changed."""
    return (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)


@contextmanager
def opened_as_one() -> Iterator[dict[str, Identity]]:
    """Within it, whatever is opened again must be the file that was opened first, unchanged.

    A format is told, parsed and hashed in several looks; they are of one content, or the case is stopped. Gives the
    openings by path, for :func:`changed_since`.
    """
    outer = _FIRST.get()
    if outer is not None:
        yield outer
        return
    openings: dict[str, Identity] = {}
    token = _FIRST.set(openings)
    try:
        yield openings
    finally:
        _FIRST.reset(token)


def changed_since(openings: Mapping[str, Identity]) -> list[Problem]:
    """A problem for every file that is no longer the one that was opened."""
    return [_exchanged(path) for path, first in openings.items() if _now(path) != first]


def _now(path: str) -> Identity | None:
    try:
        return identity_of(Path(path).stat())
    except OSError:
        return None


def _exchanged(path: str) -> Problem:
    remedy = "Close what writes to it, copy it, and run the case on the copy."
    return Problem("the file changed, or was exchanged, while the case was read", file=path, remedy=remedy)


def _held(path: Path, found: os.stat_result) -> None:
    """Hold an opening against the first one of the same name; InputError where it is another file."""
    openings = _FIRST.get()
    if openings is None:
        return
    now = identity_of(found)
    name = os.path.abspath(path)  # noqa: PTH100 - the name itself: a link that is turned leads to another file
    if openings.setdefault(name, now) != now:
        raise InputError([_exchanged(str(path))])


def open_regular(path: Path, most_bytes: int = EXPORT_BYTES) -> BinaryIO:
    """Open a regular file for reading, never waiting for a writer at its other end.

    Raises
    ------
    OSError
        It is not there, not a regular file, larger than ``most_bytes``, or became another between looking and opening.
    InputError
        Within :func:`opened_as_one` only: it is not the one that was opened before.
    """
    before = path.stat()
    _refuse(before, most_bytes)
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
    file = os.open(path, flags | getattr(os, "O_CLOEXEC", 0))
    try:
        now = os.fstat(file)
        _refuse(now, most_bytes)
        if not os.path.samestat(before, now):
            raise NotTakenError("the file was exchanged while it was opened", "Run the case on a copy.")
        _held(path, now)
        return os.fdopen(file, "rb")
    except BaseException:
        os.close(file)
        raise


def read_regular(path: Path, most_bytes: int) -> bytes:
    """The bytes of a regular file, opened once; OSError as in :func:`open_regular`, also where it grows beyond."""
    parts: list[bytes] = []
    read = 0
    with open_regular(path, most_bytes) as file:
        # never the limit at once: the buffer would be made before the first byte is read
        while part := file.read(os.fstat(file.fileno()).st_size + 1 if not parts else _CHUNK):
            read += len(part)
            if read > most_bytes:
                raise NotTakenError(_too_large(most_bytes), _COPY, errno.EFBIG)
            parts.append(part)
    return b"".join(parts)


def read_inside(folder: Path, name: str, most_bytes: int) -> bytes:
    """The bytes of a file that a case or a bag names.

    The link that was followed is the link that was looked at: the resolved file is opened, not its name.

    Raises
    ------
    OSError
        As :func:`file_inside` and :func:`read_regular` say.
    """
    return read_regular(file_inside(folder, name, most_bytes).resolve(), most_bytes)


def path_problem(folder: Path, name: str, most_bytes: int, *, file: str = "case.toml", key: str = "") -> Problem | None:
    """What is wrong with a path that a case file names, as a problem; None where it may be read.

    Parameters
    ----------
    file, key
        Where the name stands.
    """
    try:
        with open_regular(file_inside(folder, name, most_bytes).resolve(), most_bytes) as stream:
            _held(folder / name.replace("\\", "/"), os.fstat(stream.fileno()))
            return None
    except NotTakenError as fault:
        what, remedy = str(fault.strerror), fault.remedy
    except FileNotFoundError:
        what, remedy = f"'{name}' is not there", "Put it there or correct the path."
    except OSError as fault:
        what, remedy = f"'{name}' can't be opened ({fault.strerror})", "Correct the path or its permissions."
    return Problem(what if name in what else f"{name}: {what}", file=file, column=key, remedy=remedy)


def _refuse(found: os.stat_result, most_bytes: int) -> None:
    for is_kind, what in _KINDS:
        if is_kind(found.st_mode):
            raise NotTakenError(what, _COPY)
    if not stat.S_ISREG(found.st_mode):
        raise NotTakenError("this is not a regular file", _COPY)
    if found.st_size > most_bytes:
        raise NotTakenError(_too_large(most_bytes), "Give a smaller copy.", errno.EFBIG)


def _too_large(most_bytes: int) -> str:
    mebibytes = most_bytes / (1 << 20)
    return f"the file is larger than {mebibytes:g} MiB" if mebibytes >= 1 else f"the file is larger than {most_bytes} B"


def _words(fault: BaseException) -> str:
    return str(getattr(fault, "strerror", None) or type(fault).__name__)
