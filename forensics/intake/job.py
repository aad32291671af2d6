"""What is to be read of one source, and how."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from forensics.case.exports import Point, Source
from forensics.case.schema import CaseFile
from forensics.errors import Problem, Problems, Severity
from forensics.model.points import Span


@dataclass(slots=True)
class SourceJob:
    """One source with the points that may be in it.

    Attributes
    ----------
    points
        Number of the point in the case file and the point: those bound to this source, and those bound to none.
    label
        Path of the file that is read now, where the source has several.
    found
        Numbers of the points that this source holds.
    """

    casefile: CaseFile
    source: Source
    file: Path
    zone: str
    clock: str
    keep: Span | None
    failure_ns: int | None
    problems: Problems
    points: list[tuple[int, Point]]
    label: str = ""
    found: set[int] = field(default_factory=set)
    names: list[str] = field(default_factory=list)

    @property
    def path(self) -> str:
        """Path as the case file gives it; that of one file while a file of several is read."""
        return self.label or self.source.path

    def of_file(self, path: str, folder: Path) -> SourceJob:
        """The job of one file of this source: what it says names the file."""
        return replace(self, file=folder / path, label=path, found=set(), names=[])

    def leave_out(self, what: str, remedy: str = "", row: int | None = None, column: str = "") -> None:
        """The export can't be used: its points are left out, the rest runs."""
        self.problems.add(Problem(what, file=self.path, row=row, column=column, remedy=remedy, severity=Severity.POINT))

    def stop(self, what: str, remedy: str = "", row: int | None = None, column: str = "") -> None:
        """A question that stops the case."""
        self.problems.add(Problem(what, file=self.path, row=row, column=column, remedy=remedy))

    def note(self, what: str, row: int | None = None) -> None:
        """Something the report states."""
        self.problems.add(Problem(what, file=self.path, row=row, severity=Severity.NOTE))
