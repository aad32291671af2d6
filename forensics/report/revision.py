"""Revisions: an earlier report is kept beside the new one, and the new one says what changed."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from forensics.errors import InputError
from forensics.findings_file import FindingsFile, VerdictRow, read_findings

EARLIER = "earlier"
KEPT = ("report.html", "findings.json", "set_aside.csv", "incident.ipynb")
FINDINGS_NAME = "findings.json"
_HASH_DIGITS = 8
_MOST_NAMED = 12


@dataclass(frozen=True)
class Changes:
    """What a revision supersedes and what changed."""

    revision: int
    sha256: str
    lines: tuple[str, ...]


def earlier_findings(out: Path | None, case_folder: Path, supersedes: str, revision: int, case_id: str) -> Path | None:
    """The findings file that this revision supersedes, or None.

    The one that the case names (``supersedes``: a findings file, or a folder with one, beside the case file) comes
    first; else the highest earlier revision of the same case in the folder of results or kept under it.
    """
    if supersedes:
        named = case_folder / supersedes
        for path in (named, named / FINDINGS_NAME):
            if path.is_file():
                return path
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


def changes(path: Path, new: FindingsFile) -> Changes | None:
    """What changed from an earlier findings file in verdict, grades, findings and inputs; None where it can't be read."""
    old = _read(path)
    if old is None:
        return None
    lines = [f"Supersedes revision {old.case.revision} (findings file SHA-256 {_sha256(path)[:_HASH_DIGITS]})."]
    was, now = _verdict_words(old.verdict), _verdict_words(new.verdict)
    lines.append(f"Verdict unchanged: {now}." if was == now else f"Verdict was {was}; it is now {now}.")
    graded = {h.mode: h.grade for h in old.hypotheses}
    moved = [
        f"{h.mode.value} from {graded[h.mode].value} to {h.grade.value}"
        for h in new.hypotheses
        if h.mode in graded and graded[h.mode] is not h.grade
    ]
    lines += _said("Grades changed: ", moved)
    before = {f.id: f for f in old.findings}
    after = {f.id: f for f in new.findings}
    lines += _said(
        "Findings changed: ",
        [
            f"{i} from {before[i].outcome.value} to {after[i].outcome.value}"
            for i in after
            if i in before and before[i].outcome is not after[i].outcome
        ],
    )
    lines += _said("Findings added: ", [i for i in after if i not in before])
    lines += _said("Findings gone: ", [i for i in before if i not in after])
    lines += _said("Exports changed: ", _sources_changed(old, new))
    if len(lines) == 2 and was == now:  # noqa: PLR2004 - the two lines above
        lines.append("No finding and no grade changed.")
    return Changes(old.case.revision, _sha256(path), tuple(lines))


def _verdict_words(verdict: VerdictRow) -> str:
    if verdict.mode is None or verdict.grade is None:
        return verdict.status.value
    return f"{verdict.mode.value}, {verdict.grade.value}"


def _said(title: str, items: Sequence[str]) -> list[str]:
    if not items:
        return []
    more = f", and {len(items) - _MOST_NAMED} more" if len(items) > _MOST_NAMED else ""
    return [f"{title}{', '.join(items[:_MOST_NAMED])}{more}."]


def _sources_changed(old: FindingsFile, new: FindingsFile) -> list[str]:
    before = {s.path: s.sha256 for s in old.sources}
    after = {s.path: s.sha256 for s in new.sources}
    out = [f"{path} added" for path in after if path not in before]
    out += [f"{path} left out" for path in before if path not in after]
    return out + [f"{path} has other bytes" for path in after if path in before and before[path] != after[path]]


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def keep_earlier(out: Path, new: bytes) -> Path | None:
    """Copy a finished report whose findings differ from the new ones to ``earlier/``; nothing old is overwritten.

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
    folder = out / EARLIER / name
    folder.mkdir(parents=True, exist_ok=True)
    for kept in KEPT:
        source, target = out / kept, folder / kept
        if source.is_file() and not target.exists():
            target.write_bytes(source.read_bytes())
    return folder
