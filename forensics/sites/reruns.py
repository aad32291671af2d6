"""Old cases under new rules: what a re-run changed in their verdicts, and why."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from forensics.errors import InputError
from forensics.results.diff import Changes, compare_findings
from forensics.results.findings_json import read_findings
from forensics.results.schema import FindingsFile
from forensics.sites.gather import EARLIER, SUPERSEDED, Collection, SiteCase


@dataclass(frozen=True)
class Rerun:
    """A case, the findings it had before, and what differs."""

    case: str
    before: FindingsFile
    changes: Changes


def reruns(collection: Collection) -> tuple[Rerun, ...]:
    """Cases of which an earlier findings file is kept beside the present one, the latest earlier one each."""
    found = []
    for case in collection.cases:
        before = _before(case)
        if before is not None:
            found.append(Rerun(case.name, before, compare_findings(before, case.findings)))
    return tuple(found)


def _before(case: SiteCase) -> FindingsFile | None:
    """The findings that were last set aside; kept files are never written again, so their times tell the order."""
    folder = case.path.parent
    kept = sorted((folder / EARLIER).rglob("*.json"), key=lambda p: (p.stat().st_mtime_ns, p.as_posix()))
    kept += sorted((folder.parent / SUPERSEDED).glob("*.json"))
    for path in reversed(kept):
        read = _read(path)
        if read is not None and read.case.id == case.findings.case.id:
            return read
    return None


def _read(path: Path) -> FindingsFile | None:
    try:
        return read_findings(path)
    except InputError:
        return None
