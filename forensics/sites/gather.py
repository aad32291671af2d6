"""Finds and reads the findings files of finished cases, and tells which are of one machine and one failure."""

from __future__ import annotations

import gc
import hashlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.model.paths import FINDINGS_BYTES, read_regular
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, VerdictStatus
from forensics.report.tables.words import stamp_ns
from forensics.results.findings_json import read_findings
from forensics.results.schema import FindingsFile
from forensics.rules import read_limits

FINDINGS = "findings.json"
EARLIER, SUPERSEDED = "earlier", "superseded"


@dataclass(frozen=True)
class SiteCase:
    """One finished case.

    Attributes
    ----------
    name
        Case id; with its folder where an id comes twice.
    machine
        Name of the machine: site and tag, or its serial number. Cases of one machine have one name.
    same_as
        The case that reports the same failure and is counted in place of this one; empty where this one counts.
    """

    name: str
    path: Path
    findings: FindingsFile
    sha256: str
    machine: str = ""
    same_as: str = ""

    @property
    def counts(self) -> bool:
        """Whether this case is the one that counts for its failure."""
        return not self.same_as

    @cached_property
    def failure_ns(self) -> int | None:
        """Time of the failure, ns UTC."""
        return stamp_ns(self.findings.case.failure_utc)

    @property
    def failed(self) -> bool:
        """Whether something failed, known or not."""
        return self.findings.verdict.status is not VerdictStatus.NO_FAULT_FOUND

    @property
    def mode(self) -> str:
        """The determined mode, or nothing."""
        mode = self.findings.verdict.mode
        return "" if mode is None else mode.value

    @property
    def grade(self) -> str:
        """Grade of the determined mode, or nothing."""
        grade = self.findings.verdict.grade
        return "" if grade is None else grade.value

    @property
    def quality(self) -> dict[str, float | int | None]:
        """What the evidence was worth: modes that could be seen, checks that could not tell, rows kept, clocks."""
        found = self.findings
        seen = [row.observable for row in found.observability]
        read = sum(s.rows_read for s in found.sources)
        kept = sum(s.rows_kept for s in found.sources)
        clocks = [c.uncertainty_s for c in found.clocks]
        unknown = [f for f in found.findings if f.outcome is Outcome.CANNOT_TELL]
        return {
            "observable": seen.count("yes"),
            "partly": seen.count("partly"),
            "not_observable": seen.count("no"),
            "cannot_tell": len(unknown) / len(found.findings) if found.findings else None,
            "rows_kept": kept / read if read else None,
            "clock_s": None if not clocks or None in clocks else max(c for c in clocks if c is not None),
        }


@dataclass(frozen=True)
class Collection:
    """All cases that were found, and every file that could not be read."""

    cases: tuple[SiteCase, ...]
    problems: tuple[Problem, ...]

    @property
    def counted(self) -> tuple[SiteCase, ...]:
        """One case a failure."""
        return tuple(case for case in self.cases if case.counts)

    @property
    def machines(self) -> dict[str, tuple[SiteCase, ...]]:
        """Cases by machine, in time order."""
        found: dict[str, list[SiteCase]] = {}
        for case in self.cases:
            found.setdefault(case.machine, []).append(case)
        return {name: tuple(sorted(found[name], key=_when)) for name in sorted(found)}


def _when(case: SiteCase) -> tuple[int, int, str]:
    return case.failure_ns or 0, case.findings.case.revision, case.name


def gather(folders: Iterable[Path]) -> Collection:
    """Read the findings of finished cases below some folders.

    Parameters
    ----------
    folders
        Folders of results, of many of them, or bags; or findings files.

    Raises
    ------
    InputError
        A folder is not there, or no findings file is found at all.
    """
    files: dict[Path, None] = {}
    problems: list[Problem] = []
    for folder in folders:
        found = _files(folder)
        if not found:
            there = "holds no findings file" if folder.exists() else "is not there"
            problems.append(Problem(there, file=str(folder), remedy="Name folders of finished cases."))
        files.update(dict.fromkeys(found))
    if not files:
        raise InputError(problems or [Problem("no folder is given", remedy="Name folders of finished cases.")])
    with _no_collection():
        cases = _read(files, problems)
    return Collection(_same_failures(_name_machines(_unique_names(cases))), tuple(problems))


def _read(files: Iterable[Path], problems: list[Problem]) -> list[SiteCase]:
    """Cases of the files that can be read; a copy of another file is no case of its own."""
    cases: list[SiteCase] = []
    contents: dict[str, Path] = {}
    for file in files:
        try:
            findings = read_findings(file)
        except InputError as fault:
            problems += fault.problems
            continue
        digest = hashlib.sha256(read_regular(file, FINDINGS_BYTES)).hexdigest()
        if digest in contents:
            problems.append(Problem(f"is a copy of {contents[digest]}: left out", file=str(file)))
            continue
        contents[digest] = file
        cases.append(SiteCase(findings.case.id, file, findings, digest))
    return cases


@contextmanager
def _no_collection() -> Iterator[None]:
    """No search for cycles while a thousand files become objects that all stay: it takes four times as long with it.

    What was read holds no cycles, so it is left out of later searches, too.
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if was:
            gc.enable()


def _files(folder: Path) -> list[Path]:
    """Findings files below a folder; superseded ones and hidden folders are no cases of their own."""
    if folder.is_file():
        return [folder.resolve()]
    found = []
    for path in sorted(folder.rglob(FINDINGS)):
        parts = path.relative_to(folder).parts[:-1]
        if not any(part.startswith(".") or part in {EARLIER, SUPERSEDED} for part in parts):
            found.append(path.resolve())
    return found


def _unique_names(cases: Sequence[SiteCase]) -> list[SiteCase]:
    ids = [case.name for case in cases]
    often = {name: ids.count(name) for name in set(ids)} if len(set(ids)) < len(ids) else {}
    named, used = [], set[str]()
    for case in cases:
        name = case.name
        if often.get(name, 1) > 1:
            name = f"{name} ({case.path.parent.name})"
            if name in used:
                name = f"{case.name} ({case.sha256[:8]})"
        used.add(name)
        named.append(replace(case, name=name))
    return named


def _name_machines(cases: Sequence[SiteCase]) -> list[SiteCase]:
    """One name a machine: cases are of one machine by serial number, or by site and tag; either is enough."""
    leader: dict[str, str] = {}

    def find(key: str) -> str:
        while leader.setdefault(key, key) != key:
            key = leader[key]
        return key

    keys = [_keys(case) for case in cases]
    for own in keys:
        for key in own[1:]:
            first, second = sorted((find(own[0]), find(key)))
            leader[second] = first
    names: dict[str, str] = {}
    for case, own in zip(cases, keys, strict=True):
        names.setdefault(find(own[0]), _machine_name(case))
    doubled = {name for name in names.values() if list(names.values()).count(name) > 1}
    return [
        replace(case, machine=_apart(case, names[find(own[0])], doubled)) for case, own in zip(cases, keys, strict=True)
    ]


def _keys(case: SiteCase) -> list[str]:
    about, serial = case.findings.case, case.findings.machine.serial
    keys = []
    if about.site.strip() or about.machine_tag.strip():
        keys.append(f"tag {_plain(about.site)}/{_plain(about.machine_tag)}")
    if any(c.isdigit() and c != "0" for c in serial):  # "N/A", "demo" or "000" is no number of one machine
        keys.append(f"serial {_plain(serial)}")
    return keys or [f"case {case.sha256}"]


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())


def _machine_name(case: SiteCase) -> str:
    about = case.findings.case
    return " / ".join(part.strip() for part in (about.site, about.machine_tag) if part.strip()) or (
        case.findings.machine.serial.strip() or case.name
    )


def _apart(case: SiteCase, name: str, doubled: set[str]) -> str:
    return f"{name} (no. {case.findings.machine.serial})" if name in doubled else name


def _same_failures(cases: Sequence[SiteCase]) -> tuple[SiteCase, ...]:
    """Mark the same failure reported twice: one machine, and failure times that lie close or revisions of one case.

    The highest revision counts, of equals the one that is determined, then the first by name.
    """
    near_ns = read_limits()["sites.same_failure_s"] * NS
    groups: dict[str, list[list[SiteCase]]] = {}
    for case in sorted(cases, key=_when):
        known = groups.setdefault(case.machine, [])
        mine = next((g for g in known if any(_one_failure(other, case, near_ns) for other in g)), None)
        if mine is None:
            known.append([case])
        else:
            mine.append(case)
    chosen: dict[str, str] = {}
    for group in (g for known in groups.values() for g in known):
        best = max(sorted(group, key=lambda c: c.name), key=lambda c: (c.findings.case.revision, bool(c.mode)))
        chosen |= {case.name: best.name for case in group if case is not best}
    return tuple(replace(case, same_as=chosen.get(case.name, "")) for case in cases)


def _one_failure(first: SiteCase, second: SiteCase, near_ns: float) -> bool:
    one, two = first.findings.case, second.findings.case
    if one.id == two.id and one.revision != two.revision:
        return True
    if first.failure_ns is None or second.failure_ns is None:
        return False
    return abs(first.failure_ns - second.failure_ns) <= near_ns
