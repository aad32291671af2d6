"""Packs a finished case: originals, case, results, rules, versions and custody, under SHA-256 manifests.

The form is that of RFC 8493 (BagIt 1.0); inside ``data`` the case lies in its own layout, so that it runs from there.
"""

from __future__ import annotations

import csv
import io
import json
import platform
import shutil
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

from forensics.errors import InputError, Problem, RunError
from forensics.intake.exhibits import hash_of
from forensics.rules import FOLDER
from forensics.seal.finished import Finished, open_finished
from forensics.seal.revision import Revision, read_revision

if TYPE_CHECKING:
    from bagit import Bag

CASE, RESULTS, RULES, EARLIER = "case", "results", "rules", "superseded"
VERSIONS, CUSTODY, REVISION, START = "versions.json", "custody.csv", "revision.txt", "seal.json"
TAG_MANIFEST = "tagmanifest-sha256.txt"
COLUMNS = ("time_utc", "who", "what", "file", "sha256", "bytes", "file_changed_utc")
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def _now() -> datetime:
    return datetime.now(UTC)


def seal(
    folder: Path,
    out: Path | None = None,
    *,
    by: str = "",
    case: Path | None = None,
    now: Callable[[], datetime] = _now,
) -> Path:
    """Pack a finished case as a bag; the case and its results are read only.

    Parameters
    ----------
    folder
        Of the finished case: report, findings, executed notebook, set-aside rows.
    out
        The bag to make; by default ``folder`` with ``-sealed``, and ``-rN`` for a revision.
    by
        Who seals it, for the custody record; by default the investigator that the case names.
    case
        The case file, where the folder was moved away from it.
    now
        The clock.

    Returns
    -------
    Path
        The bag. It appears whole or not at all; an existing one is never overwritten.

    Raises
    ------
    InputError
        The case is not finished, an input changed since, a named photograph is missing, or the bag is there already.
    """
    finished = open_finished(folder, case)
    revision = read_revision(finished)
    target = out or _default(folder, finished)
    if target.exists():
        raise InputError([Problem("is there already", file=str(target), remedy="Nothing is overwritten: give --out.")])
    inputs = finished.inputs()
    part = target.with_name(f".{target.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    try:
        part.mkdir(parents=True)
        when = now().astimezone(UTC)
        who = by or finished.casefile.case.investigator or "not stated"
        for item in inputs:
            _copy(item.file, part / CASE / item.path)
        for file in finished.results():
            _copy(file, part / RESULTS / file.relative_to(folder))
        _copy_rules(part / RULES)
        _write_about(part, finished, revision)
        _write_custody(part, finished, revision, who, when)
        make_bag(part, _info(finished, who, when))
        part.rename(target)
    except OSError as fault:
        raise RunError(f"the bag could not be written: {fault.strerror or fault} ({target})") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return target


def seal_id(bag: Path) -> str:
    """SHA-256 of the tag manifest: one number that stands for every byte of the bag; to be noted outside of it."""
    return hash_of(bag / TAG_MANIFEST)


def _default(folder: Path, finished: Finished) -> Path:
    number = finished.casefile.case.revision
    whole = folder.resolve()
    return whole.with_name(f"{whole.name}-sealed" + (f"-r{number}" if number > 1 else ""))


def _copy(file: Path, target: Path) -> None:
    """Copy with its time of change, and look whether the copy is the same."""
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy2(file, target)
    if hash_of(file) != hash_of(target):
        raise RunError(f"the copy of {file.name} is not the original: the file changes, or the disk is at fault")


def _copy_rules(target: Path) -> None:
    for file in sorted(FOLDER.rglob("*")):
        if file.suffix in {".toml", ".csv"}:
            _copy(file, target / file.relative_to(FOLDER))


def _write_about(part: Path, finished: Finished, revision: Revision | None) -> None:
    versions = {
        "python": platform.python_version(),
        "implementation": sys.implementation.name,
        "system": f"{platform.system()} {platform.machine()}",
        "packages": dict(sorted({d.metadata["Name"]: d.version for d in metadata.distributions()}.items())),
    }
    (part / VERSIONS).write_text(json.dumps(versions, indent=1) + "\n", encoding="utf-8")
    start = {"schema": 1, "case": f"{CASE}/{finished.case.name}", "limits": finished.limits}
    (part / START).write_text(json.dumps(start, indent=1) + "\n", encoding="utf-8")
    if revision is not None:
        (part / REVISION).write_text(revision.text, encoding="utf-8")
        if revision.file is not None:
            _copy(revision.file, part / EARLIER / "findings.json")


def _write_custody(part: Path, finished: Finished, revision: Revision | None, who: str, when: datetime) -> None:
    """Who, when, what, a line a file; lines of the superseded bag come first, as they were."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    earlier = None if revision is None or revision.file is None else revision.file.parent.parent / CUSTODY
    if earlier is not None and earlier.is_file():
        with earlier.open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                writer.writerow({name: row.get(name, "") for name in COLUMNS})
    kinds = {f"{CASE}/{item.path}": item.kind for item in finished.inputs()}
    stamp = f"{when:%Y-%m-%dT%H:%M:%SZ}"
    for file in sorted(p for p in part.rglob("*") if p.is_file()):
        path = file.relative_to(part).as_posix()
        kept = path in kinds or path.startswith(f"{RESULTS}/")
        changed = datetime.fromtimestamp(file.stat().st_mtime, UTC) if kept else None
        writer.writerow(
            {
                "time_utc": stamp,
                "who": who,
                "what": f"sealed: {kinds.get(path) or _kind(path)}",
                "file": path,
                "sha256": hash_of(file),
                "bytes": file.stat().st_size,
                "file_changed_utc": "" if changed is None else f"{changed:%Y-%m-%dT%H:%M:%SZ}",
            }
        )
    (part / CUSTODY).write_text(text.getvalue(), encoding="utf-8")


def _kind(path: str) -> str:
    first = path.partition("/")[0]
    return {RESULTS: "result", RULES: "rules in force", EARLIER: "superseded findings"}.get(first, "about the bag")


def _info(finished: Finished, who: str, when: datetime) -> dict[str, str]:
    section = finished.casefile.case
    return {
        "Bagging-Date": f"{when:%Y-%m-%d}",
        "Bag-Software-Agent": f"screw-forensics {metadata.version('screw-forensics')}",
        "Contact-Name": who,
        "External-Identifier": section.id,
        "External-Description": f"Technical findings, revision {section.revision}: {section.title or section.id}",
        "Internal-Sender-Identifier": finished.findings.reproduce.inputs_sha256,
    }


def make_bag(folder: Path, info: dict[str, str]) -> None:
    """Turn a folder into a bag in place, as version 1.0."""
    import bagit

    bag: Bag = bagit.make_bag(str(folder), info, checksums=["sha256"])
    # the library declares the draft 0.97; the layout is the same, and RFC 8493 asks for 1.0
    (folder / "bagit.txt").write_text(DECLARATION, encoding="utf-8", newline="\n")
    bag.save(manifests=False)
