"""Puts a set of results in place whole: in a scratch folder first, under a lock, then all files by renaming.

The scratch folder lies inside the folder of the results, so that renaming never has to copy and needs no room. While a
run works it is named ``.run-…``; renaming it to ``.commit-…`` is the one step at which the new set takes the place of
the old one. A run that is killed before leaves the old set as it was; one that is killed after is completed by the next
command, from what lies in that folder. Either way the folder that is left behind says so.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from forensics.errors import InputError, Problem, RunError
from forensics.report.written.result_set import FAILED_NAME, MANIFEST_NAME, ResultSet, is_inside, read_set

LOCK_NAME = ".results.lock"
RUNNING, COMMITTED = ".run-", ".commit-"
NEW, ABOUT, REMOVE = "new", "run.json", "remove.json"
# in the environment of the kernel: the scratch folder of the run that started it
HANDED_OVER = "SCREW_FORENSICS_STAGE"
BUSY = "another run writes to this folder"


@dataclass(frozen=True)
class Stage:
    """The scratch folder of one run.

    Attributes
    ----------
    out
        Folder of the results.
    folder
        The scratch folder, inside ``out``.
    """

    out: Path
    folder: Path

    @property
    def new(self) -> Path:
        """Where the new set is laid out as it will lie in the folder of the results."""
        return self.folder / NEW

    def begin(self) -> None:
        """Note when the run began, and lay out an empty set. Without room for it the folder alone is the marker."""
        about = {"began_utc": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}", "pid": os.getpid()}
        (self.folder / ABOUT).write_text(json.dumps(about), encoding="utf-8")
        self.new.mkdir()

    def put(self, name: str, content: bytes) -> None:
        """Write one file of the new set."""
        target = self.new / name
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())

    def has(self, name: str) -> bool:
        """Whether the new set has a file."""
        return (self.new / name).is_file()

    def commit(self, found: ResultSet) -> None:
        """Put the set in place; what the set before had and this one has not is taken away.

        Raises
        ------
        OSError
            Before the set took the place of the old one: nothing has changed. RunError where it happened after.
        """
        before = _set_before(self.out)
        gone = sorted(set(before.results) - set(found.results)) if before is not None else []
        self.put(MANIFEST_NAME, found.text().encode("utf-8"))
        (self.folder / REMOVE).write_text(json.dumps([*gone, FAILED_NAME]), encoding="utf-8")
        for folder in sorted(p for p in self.new.rglob("*") if p.is_dir()):
            target = self.out / folder.relative_to(self.new)
            if target.is_symlink():
                raise RunError(f"{target} is a link: results are not written through it")
            target.mkdir(parents=True, exist_ok=True)
        _sync(self.folder, self.new)
        committed = self.out / self.folder.name.replace(RUNNING, COMMITTED, 1)
        self.folder.rename(committed)
        try:
            _complete(self.out, committed)
        except OSError as fault:
            text = (
                f"the results are not all in place yet ({fault.strerror}: {fault.filename}); the next command does it"
            )
            raise RunError(text) from None

    def discard(self, *, marker: bool = False) -> None:
        """Take the scratch folder away; with ``marker`` only what says that the run did not finish is left."""
        shutil.rmtree(self.new, ignore_errors=True)
        if not marker:
            shutil.rmtree(self.folder, ignore_errors=True)


def _set_before(out: Path) -> ResultSet | None:
    try:
        return read_set(out)
    except InputError:
        return None


def _complete(out: Path, committed: Path) -> None:
    """Move what is left of a committed set; done again and again it gives the same."""
    new = committed / NEW
    files = sorted(p for p in new.rglob("*") if p.is_file() and not p.is_symlink())
    # the manifest comes last: as long as it is the old one, the folder is seen not to hold a set
    for file in sorted(files, key=lambda p: p == new / MANIFEST_NAME):
        target = out / file.relative_to(new)
        target.parent.mkdir(parents=True, exist_ok=True)
        file.replace(target)
    for name in _to_remove(committed):
        gone = out / name
        if not gone.parent.resolve().is_relative_to(out.resolve()):
            continue
        gone.unlink(missing_ok=True)
        if gone.parent != out:
            with suppress(OSError):  # other files lie there
                gone.parent.rmdir()
    _sync(out)
    shutil.rmtree(committed, ignore_errors=True)


def _to_remove(committed: Path) -> list[str]:
    """Names that a set takes away; a list that came from outside takes nothing away that lies outside."""
    try:
        names = json.loads((committed / REMOVE).read_text(encoding="utf-8"))
        return [name for name in names if isinstance(name, str) and is_inside(name)]
    except (ValueError, TypeError, RecursionError):
        return []


def _sync(*folders: Path) -> None:
    """Have the names in some folders written, where the system can."""
    for folder in folders:
        with suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


@contextmanager
def held(out: Path) -> Iterator[tuple[str, ...]]:
    """Hold a folder of results; gives what is to be said of runs that did not finish there.

    Raises
    ------
    InputError
        Another run holds it, or it can't be written to.
    """
    from filelock import FileLock, Timeout

    if (out / LOCK_NAME).is_symlink():
        text = "is a link, put there by somebody else"
        raise InputError([Problem(text, file=str(out / LOCK_NAME), remedy="Take it away, or give --out.")])
    lock = FileLock(out / LOCK_NAME, timeout=0)
    try:
        out.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout:
        remedy = "Wait for it, or give another folder with --out."
        raise InputError([Problem(BUSY, file=str(out), remedy=remedy)]) from None
    except OSError as fault:
        remedy = "Choose another folder with --out."
        raise InputError([Problem(f"can't be written to ({fault.strerror})", file=str(out), remedy=remedy)]) from None
    try:
        yield _recover(out)
    finally:
        lock.release()


def _recover(out: Path) -> tuple[str, ...]:
    said = []
    for folder in sorted(out.glob(f"{COMMITTED}*")):
        links = folder.is_symlink() or (folder / NEW).is_symlink()
        if not links and (folder / REMOVE).is_file():
            _complete(out, folder)
            said.append(f"the run of {began(folder)} had finished and was stopped while its results were put in place")
        _take_away(folder)
    for folder in sorted(out.glob(f"{RUNNING}*")):
        said.append(f"the run of {began(folder)} was stopped before it finished; nothing of it is kept")
        _take_away(folder)
    return tuple(said)


def _take_away(folder: Path) -> None:
    """Take a folder away; of a link, the link itself."""
    if folder.is_symlink() or not folder.is_dir():
        folder.unlink(missing_ok=True)
    else:
        shutil.rmtree(folder, ignore_errors=True)


def began(folder: Path) -> str:
    """When the run of a scratch folder began, as it noted it."""
    try:
        noted = json.loads((folder / ABOUT).read_text(encoding="utf-8"))["began_utc"]
        return f"{datetime.fromisoformat(noted):%Y-%m-%dT%H:%M:%SZ}"
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return "a time that is not known"


def unfinished(out: Path) -> Problem | None:
    """Why the results of a folder can't be taken as they are: a run is at work there, or the last one did not finish.

    A set that was being put in place when its run was stopped is completed first.
    """
    remedy = "Run the report again; results of an earlier run are not taken as if they were of this one."
    if list(out.glob(f"{COMMITTED}*")):
        try:
            with held(out):
                pass
        except InputError as busy:
            return busy.problems[0]
        except OSError as fault:
            return Problem(f"results can't be put in place ({fault.strerror})", file=str(out), remedy="Make room.")
    for folder in sorted(out.glob(f"{RUNNING}*")):
        text = f"the last run did not finish: the one of {began(folder)} is still at work or was stopped"
        return Problem(text, file=str(out), remedy=remedy)
    if (out / FAILED_NAME).is_file():
        return Problem("the last run did not finish", file=str(out / FAILED_NAME), remedy=remedy)
    return None


def new_stage(out: Path) -> Stage:
    """A scratch folder for one run, in a folder of results that is held; nothing is left where it can't be made."""
    stage = Stage(out, Path(tempfile.mkdtemp(prefix=RUNNING, dir=out)))
    try:
        stage.begin()
    except BaseException:
        stage.discard()
        raise
    return stage


def handed_over(out: Path) -> Stage | None:
    """The scratch folder of the run that started this kernel, where it is one of this folder of results.

    Raises
    ------
    RunError
        That run is gone: a kernel that outlives it must not put results in place.
    """
    name = os.environ.get(HANDED_OVER, "")
    if not name or Path(name).parent != out.resolve():
        return None
    if not Path(name).is_dir():
        raise RunError("the run that started this notebook is gone")
    return Stage(out, Path(name))
