"""Checks a bag byte by byte, runs its case again from the bag, and holds the findings against the sealed ones."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from forensics.errors import ForensicsError, InputError, Problem
from forensics.intake.exhibits import hash_of
from forensics.results.diff import rerun_differences, version_differences
from forensics.results.schema import FindingsFile, read_findings
from forensics.rules import FOLDER
from forensics.seal.finished import FINDINGS
from forensics.seal.pack import RESULTS, RULES, START, TAG_MANIFEST, seal_id

MOST_SHOWN = 40
Rerun = Callable[[Path, Path, dict[str, float]], Path]


@dataclass(frozen=True)
class Verified:
    """What the check of a bag came to.

    Attributes
    ----------
    faults
        Files that are not what was sealed: changed, missing, added.
    differences
        Values of the findings that the re-run gives otherwise.
    notes
        What is worth knowing though the bag is sound: other versions, other rules.
    """

    bag: Path
    seal: str
    files: int
    faults: tuple[str, ...]
    rerun: bool
    differences: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Whether every byte is as sealed and the re-run gave the same findings."""
        return not self.faults and self.rerun and not self.differences

    @property
    def text(self) -> str:
        """For people: what was checked and what was found."""
        said = [f"{self.bag}: {self.files} files checked"]
        if self.faults:
            said += ["NOT what was sealed:", *_some(self.faults)]
        else:
            said.append("every file is there, none is added, every SHA-256 agrees")
        if not self.rerun:
            said.append("the case was not run again")
        elif self.differences:
            said += ["run again from the bag, the findings DIFFER:", *_some(self.differences)]
        else:
            said.append("run again from the bag, the findings are the same")
        said += [f"note: {note}" for note in self.notes]
        if self.seal:
            said.append(f"seal id {self.seal} (compare it with the one noted when the bag was made)")
        return "\n".join(said)


def _some(lines: tuple[str, ...]) -> list[str]:
    shown = [f"  {line}" for line in lines[:MOST_SHOWN]]
    return shown if len(lines) <= MOST_SHOWN else [*shown, f"  and {len(lines) - MOST_SHOWN} more"]


def _run_report(case: Path, out: Path, limits: dict[str, float]) -> Path:
    from forensics.report import run_report

    return run_report(case, out, limits=limits).findings


def verify(bag: Path, *, rerun: Rerun = _run_report) -> Verified:
    """Check a bag and re-run its case.

    Parameters
    ----------
    bag
        Folder of the bag; it is only read.
    rerun
        How a case is run: case file, folder for the results, limits tried by hand; gives the findings file.

    Returns
    -------
    Verified
        The case is run again only from a bag whose bytes are all as sealed.

    Raises
    ------
    InputError
        There is no bag at this place.
    """
    if not bag.is_dir():
        raise InputError([Problem("there is no such folder", file=str(bag))])
    if not (bag / "bagit.txt").is_file() and not (bag / "data").is_dir():
        raise InputError([Problem("is not a bag: neither bagit.txt nor data is there", file=str(bag))])
    faults, files = check_bytes(bag)
    name = seal_id(bag) if (bag / TAG_MANIFEST).is_file() else ""
    if faults:
        return Verified(bag, name, files, tuple(faults), rerun=False, differences=(), notes=())
    sealed = read_findings(bag / "data" / RESULTS / FINDINGS)
    try:
        again = _again(bag, rerun)
    except ForensicsError as fault:
        lines = tuple(f"the run stopped: {line}" for line in str(fault).splitlines())
        return Verified(bag, name, files, (), rerun=True, differences=lines, notes=tuple(_other_rules(bag)))
    differences = tuple(rerun_differences(sealed, again))
    return Verified(bag, name, files, (), rerun=True, differences=differences, notes=_notes(bag, sealed, again))


def _again(bag: Path, rerun: Rerun) -> FindingsFile:
    start: dict[str, Any] = json.loads((bag / "data" / START).read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as out:
        return read_findings(rerun(bag / "data" / start["case"], Path(out), dict(start["limits"])))


def _notes(bag: Path, sealed: FindingsFile, again: FindingsFile) -> tuple[str, ...]:
    other = version_differences(sealed, again)
    how = "numbers were compared to 6 significant digits" if other else "compared byte for byte: the versions agree"
    return (*other, *_other_rules(bag), how)


def _other_rules(bag: Path) -> list[str]:
    folder = bag / "data" / RULES
    sealed = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file()}
    here = {p.relative_to(FOLDER).as_posix(): p for p in FOLDER.rglob("*") if p.suffix in {".toml", ".csv"}}
    told = []
    for name in sorted({*sealed, *here}):
        if name not in here:
            told.append(f"rules file {name} was sealed and is not installed here")
        elif name not in sealed:
            told.append(f"rules file {name} is installed here and was not sealed")
        elif hash_of(sealed[name]) != hash_of(here[name]):
            told.append(f"rules file {name} is another one here")
    return told


def check_bytes(bag: Path) -> tuple[list[str], int]:
    """Every file that is changed, missing or added, by name; and how many files were checked.

    The library's own check stops at the first size that is off; here each file is named, then the library is
    asked whether it agrees.
    """
    files = {p.relative_to(bag).as_posix(): p for p in sorted(bag.rglob("*")) if p.is_file() or p.is_symlink()}
    faults: list[str] = []
    known: dict[str, set[str]] = {}
    for manifest in ("manifest-sha256.txt", TAG_MANIFEST):
        if manifest not in files:
            faults.append(f"missing: {manifest}")
            continue
        for name, digest in _entries(files[manifest], faults):
            known.setdefault(name, set()).add(digest)
            if name not in files:
                faults.append(f"missing: {name} (listed in {manifest})")
            elif hash_of(files[name]) != digest:
                faults.append(f"changed: {name} (its SHA-256 is not the one in {manifest})")
    faults += [f"added: {name}" for name in files if name not in known and name != TAG_MANIFEST]
    if not faults:
        faults += _library_word(bag)
    return faults, len(files)


def _entries(manifest: Path, faults: list[str]) -> list[tuple[str, str]]:
    found = []
    text = manifest.read_bytes().decode("utf-8", errors="replace")
    for number, line in enumerate(text.removesuffix("\n").split("\n"), start=1):
        digest, _, name = line.partition(" ")
        name = name.lstrip(" *")
        if not name:
            faults.append(f"changed: {manifest.name} (line {number} is no entry)")
            continue
        found.append((name.replace("%0D", "\r").replace("%0A", "\n"), digest.lower()))
    return found


def _library_word(bag: Path) -> list[str]:
    import bagit

    try:
        bagit.Bag(str(bag)).validate()
    except (bagit.BagError, ValueError, OSError) as fault:
        return [f"not a valid bag: {fault}"]
    return []
