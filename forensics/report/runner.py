"""Runs the incident notebook on a case and leaves a finished report, or a page that says why there is none."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forensics.case.schema import CaseFile, read_case_file
from forensics.errors import ForensicsError, InputError, Problem, RunError
from forensics.report.execution import NotebookStopped, run_notebook
from forensics.report.failure import FAILED_NAME, REPORT_NAME, write_failure, write_whole
from forensics.report.notebooks import notebook_path
from forensics.report.page import bind
from forensics.results.schema import read_findings

if TYPE_CHECKING:
    from nbformat import NotebookNode

FINDINGS_NAME, SET_ASIDE_NAME, NOTEBOOK_NAME, TABLES_NAME = "findings.json", "set_aside.csv", "incident.ipynb", "tables"


@dataclass(frozen=True)
class RunResult:
    """What a finished run left.

    Attributes
    ----------
    report, findings, set_aside, notebook
        Paths of the four files.
    tables
        Folder of the tables, or None.
    figures
        Number of figures in the page.
    wall_s
        How long it took.
    summary
        Verdict in one line.
    """

    out: Path
    report: Path
    findings: Path
    set_aside: Path
    notebook: Path
    tables: Path | None
    figures: int
    wall_s: float
    summary: str


def _now() -> datetime:
    return datetime.now(UTC)


def run_report(
    case: Path,
    out: Path,
    *,
    tables: bool = False,
    cell_limit_s: float | None = None,
    progress: bool = False,
    limits: Mapping[str, float] | None = None,
    now: Callable[[], datetime] = _now,
) -> RunResult:
    """Run the incident notebook on a case and write its report.

    Parameters
    ----------
    case
        Path of ``case.toml``.
    out
        Folder of the results; made where it is not there.
    tables
        Whether the tables are written as CSV, too.
    cell_limit_s
        Time limit of each cell, s.
    progress
        Whether a progress bar is drawn on the error stream.
    limits
        Limits to try in place of those in force, by name; the report lists them.
    now
        The clock: asked once, for the line that says when the page was made.

    Raises
    ------
    InputError
        Case file, exports, limits or folder must be corrected: every problem at once.
    RunError
        The program failed or was stopped.

    Notes
    -----
    A run that does not finish leaves ``report.html``, ``findings.json`` and ``set_aside.csv`` as they were, and
    ``report.FAILED.html`` beside them. A finished run takes such a page away.
    """
    began = time.perf_counter()
    made = f"Made {now().astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}."
    case_file = _checked(case, out, made)
    before = _Before(out)
    parameters: dict[str, Any] = {
        "case": str(case.resolve()),
        "out": str(out.resolve()),
        "tables": tables,
        "limits": dict(limits or {}),
    }
    try:
        notebook = run_notebook(
            notebook_path("incident"),
            parameters,
            cell_limit_s=cell_limit_s,
            progress=progress,
            largest_input=_largest(case, case_file),
        )
        page = bind(notebook, title=_title(case_file), made=made)
        _finish(out, notebook, page)
    except (ForensicsError, KeyboardInterrupt) as fault:
        before.restore()
        shown = RunError("stopped by hand") if isinstance(fault, KeyboardInterrupt) else fault
        write_failure(out, case_file.case.id, shown, made=made)
        if isinstance(fault, NotebookStopped) and fault.stopped.problems:
            raise InputError(fault.stopped.problems) from None
        raise
    return RunResult(
        out=out,
        report=out / REPORT_NAME,
        findings=out / FINDINGS_NAME,
        set_aside=out / SET_ASIDE_NAME,
        notebook=out / NOTEBOOK_NAME,
        tables=out / TABLES_NAME if tables else None,
        figures=page.count('class="plate"'),
        wall_s=time.perf_counter() - began,
        summary=_summary(out / FINDINGS_NAME),
    )


def _summary(path: Path) -> str:
    verdict = read_findings(path).verdict
    grade = "" if verdict.mode is None or verdict.grade is None else f" ({verdict.mode.value}, {verdict.grade.value})"
    return f"{verdict.status.value}{grade}: {verdict.statement}"


def _checked(case: Path, out: Path, made: str) -> CaseFile:
    """Read the case file and make the folder; a fault leaves its page only where the folder was there before."""
    try:
        case_file = read_case_file(case)
        out.mkdir(parents=True, exist_ok=True)
    except InputError as fault:
        if out.is_dir():
            write_failure(out, case.name, fault, made=made)
        raise
    except OSError as fault:
        remedy = "Choose another folder with --out."
        raise InputError([Problem(f"can't be written to ({fault.strerror})", file=str(out), remedy=remedy)]) from None
    return case_file


def _title(case_file: CaseFile) -> str:
    parts = (case_file.case.title, case_file.case.site, case_file.case.machine_tag)
    named = " · ".join(part for part in parts if part)
    return f"{named + ' – ' if named else ''}technical findings, case {case_file.case.id}"


def _largest(case: Path, case_file: CaseFile) -> str:
    sizes = []
    for source in case_file.source:
        path = case.parent / source.path
        if path.is_file():
            sizes.append((path.stat().st_size, source.path))
    return f"{max(sizes)[1]}, {max(sizes)[0] / 1e6:.1f} MB" if sizes else ""


class _Before:
    """What stood in the folder before the run, to put it back where the run does not finish."""

    def __init__(self, out: Path) -> None:
        self._content = {
            out / name: (out / name).read_bytes() if (out / name).is_file() else None
            for name in (FINDINGS_NAME, SET_ASIDE_NAME)
        }

    def restore(self) -> None:
        """Put both files back as they were."""
        for path, content in self._content.items():
            if content is None:
                path.unlink(missing_ok=True)
            elif not path.is_file() or path.read_bytes() != content:
                write_whole(path, content)


def _finish(out: Path, notebook: NotebookNode, page: str) -> None:
    import nbformat

    missing = [name for name in (FINDINGS_NAME, SET_ASIDE_NAME) if not (out / name).is_file()]
    if missing:
        raise RunError(f"the notebook ended without writing {', '.join(missing)}")
    text: str = nbformat.writes(notebook)  # type: ignore[no-untyped-call]
    write_whole(out / NOTEBOOK_NAME, text.encode("utf-8"))
    write_whole(out / REPORT_NAME, page.encode("utf-8"))
    (out / FAILED_NAME).unlink(missing_ok=True)
