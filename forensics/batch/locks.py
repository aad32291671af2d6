"""Who writes where: a folder of results is held by one batch, and a scratch folder by the one run of a case.

Folders of the file system are held with a lock that the system frees when its holder dies. Storage behind an address
has no such lock: there a file says that a batch is at work, and stays where the batch was killed.
"""

from __future__ import annotations

import json
import posixpath
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from forensics.batch.storage import file_system, is_address, join, read_bytes
from forensics.errors import InputError, Problem, RunError

LOCK = "batch.lock"
BUSY = "another batch writes there"
RUNNING, HELD = ".running", "held.lock"
FOLDER_TRIES = 200
FOLDER_PAUSE_S = 0.001


@contextmanager
def locked(out: str | Path, token: str) -> Iterator[None]:
    """Hold a folder of results for one batch.

    Raises
    ------
    InputError
        Another batch holds it.
    RunError
        The folder can't be written to.
    """
    with _locked_address(str(out), token) if is_address(out) else _locked_folder(Path(out)):
        yield


@contextmanager
def _locked_folder(out: Path) -> Iterator[None]:
    from filelock import FileLock, Timeout

    try:
        out.mkdir(parents=True, exist_ok=True)
        lock = FileLock(out / f".{LOCK}", timeout=0)
        lock.acquire()
    except Timeout:
        remedy = "Wait for it, or give another folder with --out."
        raise InputError([Problem(BUSY, file=str(out), remedy=remedy)]) from None
    except OSError as fault:
        raise RunError(f"{out} can't be written to: {fault.strerror or fault}") from None
    try:
        yield
    finally:
        lock.release()


@contextmanager
def _locked_address(out: str, token: str) -> Iterator[None]:
    """A lock on storage that has none: a file with our token, looked at again after it was written."""
    path = join(out, LOCK)
    system, inside = file_system(path)
    busy = InputError([Problem(BUSY, file=out, remedy=f"Wait for it; if it is gone for good, remove {path}.")])
    try:
        system.makedirs(posixpath.dirname(inside), exist_ok=True)
        if system.exists(inside) or not _create(system, inside, json.dumps({"batch": token}).encode()):
            raise busy
        system.invalidate_cache()
        if json.loads(read_bytes(path))["batch"] != token:
            raise busy
    except OSError as fault:
        raise RunError(f"{out} can't be written to: {fault.strerror or fault}") from None
    try:
        yield
    finally:
        system.rm_file(inside)


def _create(system: Any, inside: str, content: bytes) -> bool:
    """Write a file that must not be there yet; False where it is. Storage that can't do so in one step just writes."""
    try:
        with system.open(inside, "xb") as file:
            file.write(content)
    except FileExistsError:
        return False
    except (NotImplementedError, ValueError):
        system.pipe_file(inside, content)
    return True


@contextmanager
def scratch_folder(out: str, token: str, name: str) -> Iterator[Path]:
    """An empty folder for one run of one case, held while it lasts.

    It lies beside the results where they are local, so that moving them needs no copy. A case that a cluster runs
    twice, because it takes the first worker for lost, has two of them.
    """
    if is_address(out):
        with tempfile.TemporaryDirectory() as folder:
            yield Path(folder)
        return
    from filelock import FileLock

    batch = Path(out).parent / RUNNING / token
    scratch = _new_folder(batch, f"{name}-")
    try:
        with FileLock(scratch / HELD, timeout=0):
            yield scratch
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        _remove_empty(batch, batch.parent)


def _new_folder(parent: Path, prefix: str) -> Path:
    """An own folder; the one around it may be taken away by another case that ends just then."""
    for turn in range(FOLDER_TRIES):
        with suppress(FileNotFoundError, FileExistsError):
            parent.mkdir(parents=True, exist_ok=True)
            return Path(tempfile.mkdtemp(prefix=prefix, dir=parent))
        # on a busy machine the one that ends has its turn between the two lines above: wait longer each time for it
        time.sleep(FOLDER_PAUSE_S * min(turn, 100))
    raise RunError(f"{parent} is taken away again and again: another program clears it")


def _remove_empty(*folders: Path) -> None:
    for folder in folders:
        with suppress(OSError):  # not empty, or not there
            folder.rmdir()


def clear_scratch(out: str | Path) -> tuple[str, ...]:
    """Take away half-done work that nobody holds any more; what is left are the names of cases that still run."""
    if is_address(out):
        return ()
    running = Path(out) / RUNNING
    held = []
    for scratch in sorted(running.glob("*/*")):
        if _is_held(scratch / HELD):
            held.append(scratch.name.rpartition("-")[0])
        else:
            shutil.rmtree(scratch, ignore_errors=True)
    _remove_empty(*running.glob("*"), running)
    return tuple(held)


def _is_held(lock: Path) -> bool:
    from filelock import FileLock, Timeout

    if not lock.is_file():
        return False
    try:
        with FileLock(lock, timeout=0):
            return False
    except Timeout:
        return True
    except OSError:
        return False
