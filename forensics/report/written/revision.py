"""Revisions: an earlier report is kept beside the new one, and the new one says what changed."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from forensics.errors import InputError
from forensics.model.paths import FINDINGS_BYTES, file_inside
from forensics.results.diff import compare_findings
from forensics.results.findings_json import read_findings
from forensics.results.schema import FindingsFile

EARLIER = "earlier"
KEPT = ("report.html", "findings.json", "set_aside.csv", "incident.ipynb", "results.json")
FINDINGS_NAME = "findings.json"
IN_BAG = Path("data") / "results" / FINDINGS_NAME
_HASH_DIGITS = 8
_MOST_LINES = 12


@dataclass(frozen=True)
class Superseded:
    """The revision that a report supersedes, and what changed since, in words."""

    revision: int
    lines: tuple[str, ...]


def earlier_findings(out: Path | None, case_folder: Path, supersedes: str, revision: int, case_id: str) -> Path | None:
    """The findings file that this revision supersedes, or None.

    The one that the case names (``supersedes``: a findings file, or a folder or bag with one, beside the case file)
    comes first; else the highest earlier revision of the same case in the folder of results or kept under it.
    """
    if supersedes:
        for name in (supersedes, f"{supersedes}/{FINDINGS_NAME}", f"{supersedes}/{IN_BAG}"):
            try:
                return file_inside(case_folder, name, FINDINGS_BYTES)
            except OSError:
                continue  # a folder, a bundle id of what is not at hand; what leads out is a problem of the case
    if out is None:
        return None
    candidates = [out / FINDINGS_NAME, *sorted((out / EARLIER).glob(f"*/{FINDINGS_NAME}"))]
    found: list[tuple[int, str, Path]] = []
    for path in candidates:
        read = _read(path)
        if read is not None and read.case.id == case_id and read.case.revision < revision:
            found.append((read.case.revision, path.parent.name, path))
    return max(found)[2] if found else None


def _read(path: Path) -> FindingsFile | None:
    try:
        return read_findings(path) if path.is_file() else None
    except InputError:
        return None


def superseded(path: Path, new: FindingsFile) -> Superseded | None:
    """What changed from an earlier findings file; None where it can't be read."""
    old = _read(path)
    if old is None:
        return None
    lines = compare_findings(old, new).lines
    more = (f"and {len(lines) - _MOST_LINES} more changes",) if len(lines) > _MOST_LINES else ()
    first = f"supersedes revision {old.case.revision} (findings file SHA-256 {_sha256(path)[:_HASH_DIGITS]})"
    return Superseded(old.case.revision, (first, *lines[:_MOST_LINES], *more))


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def keep_earlier(out: Path, new: bytes, into: Path | None = None) -> Path | None:
    """Copy a finished report whose findings differ from the new ones to ``earlier/``; nothing old is overwritten.

    Parameters
    ----------
    into
        Folder in which ``earlier/`` is laid out; by default the folder of the results itself.

    Returns
    -------
    Path or None
        The folder of the copies; None where there was nothing to keep.
    """
    old = out / FINDINGS_NAME
    if not old.is_file() or old.read_bytes() == new:
        return None
    read = _read(old)
    digest = _sha256(old)[:_HASH_DIGITS]
    name = f"revision-{read.case.revision}-{digest}" if read is not None else f"unread-{digest}"
    folder = (into or out) / EARLIER / name
    for kept in KEPT:
        source, target = out / kept, folder / kept
        if source.is_file() and not target.exists() and not (out / EARLIER / name / kept).exists():
            folder.mkdir(parents=True, exist_ok=True)
            target.write_bytes(source.read_bytes())
    return folder
