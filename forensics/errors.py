"""The exception tree, and the collector that gathers every problem before one is raised.

::

    ForensicsError
    ├── InputError        the input must be corrected; carries every Problem found (exit code 2)
    └── RunError          the program itself failed or was stopped (exit code 1)
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum


class Severity(StrEnum):
    """How far a problem reaches."""

    STOP = "stop"
    POINT = "point"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, where it is, and what to do about it.

    Attributes
    ----------
    what
        The fault in one sentence, with the text that was found.
    file
        Path as the case file gives it (or the case file itself).
    row
        Physical line of a delimited file, row of a sheet, or sample of a waveform; from 1.
    column
        Column name as the report shows it, or the key of the case file.
    remedy
        What the engineer adds or changes.
    severity
        ``stop`` ends the case, ``point`` leaves the named points out, ``note`` is stated only.
    kind
        What is asked for, where questions of one kind are put together: ``unit``.
    """

    what: str
    file: str = ""
    row: int | None = None
    column: str = ""
    remedy: str = ""
    severity: Severity = Severity.STOP
    kind: str = ""

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place = f"{place} line {self.row}".strip()
        if self.column:
            place = f"{place} column '{self.column}'".strip()
        text = f"{place}: {self.what}" if place else self.what
        if not self.remedy:
            return text
        stop = "" if text.endswith((".", "?", "!", ":")) else "."
        return f"{text}{stop} {self.remedy}"


def one_a_kind(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Problems with those that say the same of several columns of a file as one, which names the columns."""
    groups: dict[tuple[str, str, str, Severity, str], list[Problem]] = {}
    for problem in problems:
        key = (problem.file, problem.what, problem.remedy, problem.severity, problem.kind)
        groups.setdefault(key, []).append(problem)
    out = []
    for same in groups.values():
        columns = list(dict.fromkeys(problem.column for problem in same if problem.column))
        first = same[0]
        joined = "', '".join(columns)
        out.append(first if len(columns) < 2 else replace(first, column=joined, row=None))  # noqa: PLR2004 - several
    return tuple(out)


class ForensicsError(Exception):
    """Root of the errors that this package raises on purpose."""


class InputError(ForensicsError):
    """The input must be corrected: every problem that was found, at once."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class RunError(ForensicsError):
    """The program itself failed or was stopped; the input may be sound."""


@dataclass(slots=True)
class Problems:
    """Collects problems of all files, so that they are reported together."""

    found: list[Problem] = field(default_factory=list)
    _seen: set[Problem] = field(default_factory=set, repr=False)

    def add(self, problem: Problem) -> None:
        """Keep one problem; an equal one is kept once."""
        if problem not in self._seen:
            self._seen.add(problem)
            self.found.append(problem)

    def extend(self, problems: Iterable[Problem]) -> None:
        """Keep several problems in their order."""
        for problem in problems:
            self.add(problem)

    def __iter__(self) -> Iterator[Problem]:
        return iter(self.found)

    def of(self, severity: Severity) -> tuple[Problem, ...]:
        """Problems of one severity, in the order they were found."""
        return tuple(problem for problem in self.found if problem.severity is severity)

    def raise_if_stopped(self) -> None:
        """Raise :class:`InputError` with all problems where at least one stops the case."""
        if self.of(Severity.STOP):
            raise InputError(self.of(Severity.STOP) + self.of(Severity.POINT))
