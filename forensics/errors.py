"""The exception tree, and the collector that gathers every problem before one is raised.

::

    ForensicsError
    ├── InputError              the input must be corrected; carries every Problem found (exit code 2)
    ├── RunError                the program itself failed or was stopped (exit code 1)
    │   ├── NotebookStopped     a notebook did not run to its end; carries where, why and the part-run notebook
    │   │   ├── KernelNotStarted    its kernel did not come up
    │   │   └── KernelDied          its kernel ended in the midst of a cell
    │   └── StoppedError        the batch was stopped while a case ran
    └── RefusalError            something is not read on; caught where it is read, and told as a Problem
        ├── NotTakenError       a path that is not opened (an OSError, too)
        ├── UnreadableError     an export that can't be read at all
        ├── WrongEncodingError  bytes that are not text in the encoding that was taken
        ├── SheetQuestion       a workbook that needs an answer (this and those below: ValueErrors, too)
        ├── Unsafe              a workbook that is not opened
        ├── Refused             a waveform record that is not read on
        └── NotDrawnError       a picture that is not drawn
"""

from __future__ import annotations

import errno
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any


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

    def _render_traceback_(self) -> list[str]:
        """What a notebook shows in place of a traceback (a hook of IPython): the message alone."""
        return [str(self)]


class InputError(ForensicsError):
    """The input must be corrected: every problem that was found, at once."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def _render_traceback_(self) -> list[str]:
        return [f"{len(self.problems)} to correct:", *(f"  {problem}" for problem in self.problems)]


class RunError(ForensicsError):
    """The program itself failed or was stopped; the input may be sound."""


@dataclass(frozen=True)
class Stopped:
    """Where and why a run stopped.

    Attributes
    ----------
    cell, of
        Number of the cell and of all cells, from 1, the injected cell not counted; 0 where none was begun.
    why
        One sentence.
    detail
        Traceback as text, for whoever mends the program; empty where the input is at fault.
    problems
        What must be corrected, where the input is at fault.
    """

    cell: int
    of: int
    why: str
    detail: str = ""
    problems: tuple[Problem, ...] = ()


class NotebookStopped(RunError):  # noqa: N818 - it says what happened
    """A notebook did not run to its end."""

    def __init__(self, stopped: Stopped, notebook: Any) -> None:
        self.stopped = stopped
        self.notebook = notebook
        super().__init__(stopped.why)


class KernelNotStarted(NotebookStopped):
    """The kernel did not come up: no cell was begun."""


class KernelDied(NotebookStopped):
    """The process of the kernel ended in the midst of a cell."""


class StoppedError(RunError):
    """The batch was stopped while the case ran."""


class RefusalError(ForensicsError):
    """A file, an export or a picture is not read on: the room that reads it turns this into a :class:`Problem`."""


class NotTakenError(RefusalError, OSError):
    """A path that is not opened; ``strerror`` says why, ``remedy`` what to do."""

    def __init__(self, what: str, remedy: str, code: int = errno.EINVAL) -> None:
        super().__init__(code, what)
        self.remedy = remedy

    def __str__(self) -> str:
        return str(self.strerror)


class UnreadableError(RefusalError):
    """The export can't be read; the text says why and what to do."""

    def __init__(self, what: str, remedy: str = "") -> None:
        super().__init__(what)
        self.what, self.remedy = what, remedy


class WrongEncodingError(RefusalError):
    """Bytes that are not text in the encoding that was taken; ``offset`` counts from the first byte of the text."""

    def __init__(self, offset: int) -> None:
        super().__init__(str(offset))
        self.offset = offset


class SheetQuestion(RefusalError, ValueError):  # noqa: N818 - it carries a Problem, not a fault of the program
    """A workbook that is not read on; carries what to ask."""

    def __init__(self, what: str, remedy: str = "", row: int | None = None) -> None:
        super().__init__(what)
        self.what, self.remedy, self.row = what, remedy, row

    def problem(self, file: str) -> Problem:
        """The problem, placed in a file: it leaves the points of this source out."""
        return Problem(self.what, file=file, row=self.row, remedy=self.remedy, severity=Severity.POINT)


class Unsafe(RefusalError, ValueError):  # noqa: N818 - an input that is refused
    """A workbook that is not opened; the text says why."""


class Refused(RefusalError, ValueError):  # noqa: N818 - it carries a Problem, not a fault of the program
    """A record that is not read on; carries the problem to report."""

    def __init__(self, what: str, *, row: int | None = None, remedy: str = "", stop: bool = False) -> None:
        super().__init__(what)
        self.what, self.row, self.remedy, self.stop = what, row, remedy, stop

    def problem(self, file: str) -> Problem:
        """The problem, placed in a file; a question about time stops the case, anything else the points only."""
        severity = Severity.STOP if self.stop else Severity.POINT
        return Problem(self.what, file=file, row=self.row, remedy=self.remedy, severity=severity)


class NotDrawnError(RefusalError, ValueError):
    """A picture that is not drawn; the text says why."""


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
