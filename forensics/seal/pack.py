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
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

from forensics.errors import InputError, Problem, RunError
from forensics.intake.exhibits import hash_of
from forensics.model.paths import TABLE_BYTES, read_inside
from forensics.report.written.result_set import MANIFEST_NAME
from forensics.rules import FOLDER
from forensics.seal.custody import CUSTODY, NOT_STATED, Received, chained, read_received, read_rows, write_rows
from forensics.seal.finished import Finished, open_finished
from forensics.seal.revision import Revision, read_revision
from forensics.seal.signature import read_private, write_signature

if TYPE_CHECKING:
    from bagit import Bag
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

CASE, RESULTS, RULES, EARLIER = "case", "results", "rules", "superseded"
VERSIONS, REVISION, START = "versions.json", "revision.txt", "seal.json"
TAG_MANIFEST = "tagmanifest-sha256.txt"
CHAIN_END = "Custody-Chain"
START_SCHEMA = 2
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def _now() -> datetime:
    return datetime.now(UTC)


def seal(
    folder: Path,
    out: Path | None = None,
    *,
    by: str = "",
    case: Path | None = None,
    key: Path | None = None,
    passphrase: Callable[[], bytes] | None = None,
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
    key
        Private key (Ed25519, PEM) to sign with; without it the bag is unsigned.
    passphrase
        Asked where the key is encrypted.
    now
        The clock.

    Returns
    -------
    Path
        The bag. It appears whole or not at all; an existing one is never overwritten.

    Raises
    ------
    InputError
        The case is not finished, its results are not of one run, an input changed since, a named photograph is missing,
        the key can't be used, or the bag is there already.
    """
    signer = None if key is None else read_private(key, passphrase)
    finished = open_finished(folder, case)
    revision = read_revision(finished)
    target = out or _default(folder, finished)
    if target.exists():
        raise InputError([Problem("is there already", file=str(target), remedy="Nothing is overwritten: give --out.")])
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
    except OSError as fault:
        raise RunError(f"the bag could not be written: {fault.strerror or fault} ({target})") from None
    try:
        part.chmod(0o755)
        _fill(part, finished, revision, by or finished.casefile.case.investigator or NOT_STATED, now(), signer)
        part.rename(target)
    except OSError as fault:
        if target.exists():
            text = "was made meanwhile"
            raise InputError([Problem(text, file=str(target), remedy="Nothing is overwritten: give --out.")]) from None
        raise RunError(f"the bag could not be written: {fault.strerror or fault} ({target})") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return target


def _fill(
    part: Path,
    finished: Finished,
    revision: Revision | None,
    who: str,
    now: datetime,
    signer: Ed25519PrivateKey | None,
) -> None:
    """Lay out a bag in an empty folder."""
    when = now.astimezone(UTC)
    hashed = {row.path: row.sha256 for row in finished.found.inputs}
    for item in finished.inputs():
        _copy(item.file, part / CASE / item.path, hashed.get(item.path))
    for name, digest in finished.results().items():
        _copy(finished.folder / name, part / RESULTS / name, digest)
    (part / RESULTS / MANIFEST_NAME).write_text(finished.found.text(), encoding="utf-8")
    _copy_rules(part / RULES)
    _write_about(part, finished, revision)
    end = _write_custody(part, finished, revision, who, when)
    make_bag(part, {**_info(finished, who, when), CHAIN_END: end})
    if signer is not None:
        write_signature(part, part / TAG_MANIFEST, signer)


def seal_id(bag: Path) -> str:
    """SHA-256 of the tag manifest: one number that stands for every byte of the bag; to be noted outside of it."""
    return hash_of(bag / TAG_MANIFEST)


def _default(folder: Path, finished: Finished) -> Path:
    number = finished.casefile.case.revision
    whole = folder.resolve()
    return whole.with_name(f"{whole.name}-sealed" + (f"-r{number}" if number > 1 else ""))


def _copy(file: Path, target: Path, digest: str | None = None) -> None:
    """Copy with its time of change, and look whether the copy is what it should be."""
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy2(file, target)
    if hash_of(target) != (digest or hash_of(file)):
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
    start = {"schema": START_SCHEMA, "case": f"{CASE}/{finished.case.name}"}
    (part / START).write_text(json.dumps(start, indent=1) + "\n", encoding="utf-8")
    if revision is not None:
        (part / REVISION).write_text(revision.text, encoding="utf-8")
        if revision.file is not None:
            _copy(revision.file, part / EARLIER / "findings.json")


def _write_custody(part: Path, finished: Finished, revision: Revision | None, who: str, when: datetime) -> str:
    """A line a file, those of the superseded bag first; returns the end of the chain."""
    kinds = {f"{CASE}/{item.path}": item.kind for item in finished.inputs()}
    received = {f"{CASE}/{name}": got for name, got in read_received(finished.case.parent).items()}
    made = Received("this program", "made", f"screw-forensics {metadata.version('screw-forensics')}")
    rows = _earlier_rows(revision)
    for file in sorted(p for p in part.rglob("*") if p.is_file()):
        path = file.relative_to(part).as_posix()
        kept = path in kinds or path.startswith(f"{RESULTS}/")
        changed = datetime.fromtimestamp(file.stat().st_mtime, UTC) if kept else None
        got = received.get(path, Received()) if path in kinds else made
        rows.append(
            {
                "time_utc": f"{when:%Y-%m-%dT%H:%M:%SZ}",
                "who": who,
                "what": f"sealed: {kinds.get(path) or _kind(path)}",
                "received_from": got.received_from,
                "how": got.how,
                "tool": got.tool,
                "file": path,
                "sha256": hash_of(file),
                "bytes": str(file.stat().st_size),
                "file_changed_utc": "" if changed is None else f"{changed:%Y-%m-%dT%H:%M:%SZ}",
            }
        )
    lines = chained(rows)
    write_rows(part / CUSTODY, lines)
    return lines[-1]["chain"]


def _earlier_rows(revision: Revision | None) -> list[dict[str, str]]:
    """The list of the superseded bag; one of an earlier version has no chain yet, and gets one now."""
    earlier = None if revision is None or revision.file is None else revision.file.parent.parent / CUSTODY
    if earlier is None or not earlier.is_file():
        return []
    text = read_inside(earlier.parent, CUSTODY, TABLE_BYTES).decode("utf-8", errors="replace")
    if "chain" not in text.partition("\n")[0]:
        return [dict(row) for row in csv.DictReader(io.StringIO(text, newline=""))]
    return read_rows(earlier)


def _kind(path: str) -> str:
    first = path.partition("/")[0]
    return {RESULTS: "result", RULES: "rules in force", EARLIER: "superseded findings"}.get(first, "about the bag")


def _info(finished: Finished, who: str, when: datetime) -> dict[str, str]:
    section = finished.casefile.case
    return {
        "Bagging-Date": f"{when:%Y-%m-%d}",
        "Bag-Software-Agent": f"screw-forensics {metadata.version('screw-forensics')}",
        "Contact-Name": one_line(who),
        "External-Identifier": section.id,
        "External-Description": one_line(
            f"Technical findings, revision {section.revision}: {section.title or section.id}"
        ),
        "Internal-Sender-Identifier": finished.findings.reproduce.inputs_sha256,
    }


def one_line(text: str) -> str:
    """A text that can't be taken for two lines of the bag's description, whatever ends a line."""
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())


def make_bag(folder: Path, info: dict[str, str]) -> None:
    """Turn a folder into a bag in place, as version 1.0."""
    import bagit

    bag: Bag = bagit.make_bag(str(folder), info, checksums=["sha256"])
    # the library declares the draft 0.97; the layout is the same, and RFC 8493 asks for 1.0
    (folder / "bagit.txt").write_text(DECLARATION, encoding="utf-8", newline="\n")
    bag.save(manifests=False)
