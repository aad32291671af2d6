"""Runs the incident notebook on a case and leaves a finished report, or a page that says why there is none."""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forensics.case.read import read_case_file
from forensics.case.schema import CaseFile
from forensics.errors import ForensicsError, InputError, NotebookStopped, RunError
from forensics.intake.exhibits import source_files
from forensics.report.notebooks import notebook_path
from forensics.report.outline import page_of
from forensics.report.running.execution import run_notebook
from forensics.report.running.failure import write_failure
from forensics.report.running.own_cells import OwnCells, check_own_notebook, own_cells
from forensics.report.written.output import PAGE_CELLS
from forensics.report.written.placing import HANDED_OVER, RUNNING, Stage, held
from forensics.report.written.result_set import (
    FINDINGS_NAME,
    MANIFEST_NAME,
    NOTEBOOK_NAME,
    REPORT_NAME,
    SET_ASIDE_NAME,
    TABLES_NAME,
    ResultSet,
)
from forensics.results.findings_json import read_findings

if TYPE_CHECKING:
    from nbformat import NotebookNode


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
    notes
        What is to be said of earlier runs into the same folder that did not finish.
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
    notes: tuple[str, ...] = ()


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
    own: Path | OwnCells | None = None,
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
    own
        An engineer's copy of the incident notebook, whose cells tagged ``own`` reach the page under their author's
        name; or such cells as an earlier run showed them, which are bound and not run.
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
    The results are one unit: a run that does not finish leaves the folder as it was, and ``report.FAILED.html`` in it,
    or, where even that can't be written, the marker that the next command finds. A finished run takes such a page away.
    """
    began = time.perf_counter()
    made_utc = f"{now().astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
    made = f"Made {made_utc}."
    if not out.is_dir():
        read_case_file(case)  # a case that can't be read makes no folder
    if isinstance(own, Path):
        check_own_notebook(own, notebook_path("incident"))
    try:
        with held(out) as notes:
            case_file = _checked(case, out, made)
            parameters: dict[str, Any] = {
                "case": str(case.resolve()),
                "out": str(out.resolve()),
                "tables": tables,
                "limits": dict(limits or {}),
            }
            run = _Run(
                case=case,
                case_file=case_file,
                out=out,
                made_utc=made_utc,
                parameters=parameters,
                cell_limit_s=cell_limit_s,
                own=own,
            )
            page = run.to_its_end(progress=progress)
    except OSError as fault:
        raise RunError(f"can't be written: {fault.strerror or fault} ({fault.filename or out})") from None
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
        notes=notes,
    )


@dataclass(frozen=True)
class _Run:
    """One run of the incident notebook into a folder of results that is held."""

    case: Path
    case_file: CaseFile
    out: Path
    made_utc: str
    parameters: dict[str, Any]
    cell_limit_s: float | None
    own: Path | OwnCells | None = None

    @property
    def _made(self) -> str:
        return f"Made {self.made_utc}."

    def to_its_end(self, *, progress: bool) -> str:
        """Run it, put the results in place and return the page; else leave everything as it was, and a page why."""
        out = self.out.resolve()
        stage = Stage(out, Path(tempfile.mkdtemp(prefix=RUNNING, dir=out)))
        try:
            stage.begin()
            notebook = run_notebook(
                self.own if isinstance(self.own, Path) else notebook_path("incident"),
                self.parameters,
                cell_limit_s=self.cell_limit_s,
                progress=progress,
                largest_input=_largest(self.case, self.case_file),
                environment={HANDED_OVER: str(stage.folder)},
            )
            page = page_of(self._cells(stage, notebook), self.case_file, made=self._made)
            stage.commit(_finished(stage, notebook, page, self.made_utc))
        except BaseException as fault:
            self._leave(stage, fault)
            if isinstance(fault, NotebookStopped) and fault.stopped.problems:
                raise InputError(fault.stopped.problems) from None
            raise
        return page

    def _cells(self, stage: Stage, notebook: NotebookNode) -> list[dict[str, Any]]:
        """The page as the notebook laid it out, with what the engineer added to it."""
        laid_out = stage.folder / PAGE_CELLS
        if not laid_out.is_file():
            raise RunError("the notebook ended without writing the report: its last cell calls work.report(out)")
        cells: list[dict[str, Any]] = json.loads(laid_out.read_text(encoding="utf-8"))
        own = self.own if isinstance(self.own, OwnCells) else own_cells(notebook)
        return [*cells, *own.as_section(self.case_file.case.investigator)]

    def _leave(self, stage: Stage, fault: BaseException) -> None:
        """Take away what was half done, and say why there is no report: in a page, else by the marker of the run."""
        stage.discard(marker=True)
        shown = fault if isinstance(fault, ForensicsError) else RunError(_in_words(fault))
        with suppress(OSError):
            write_failure(self.out, self.case_file.case.id, shown, made=self._made)
            stage.discard()


def _in_words(fault: BaseException) -> str:
    if isinstance(fault, KeyboardInterrupt):
        return "stopped by hand"
    if isinstance(fault, OSError):
        return f"the results could not be written: {fault.strerror or fault}"
    return f"{type(fault).__name__}: {fault}"


def _summary(path: Path) -> str:
    verdict = read_findings(path).verdict
    grade = "" if verdict.mode is None or verdict.grade is None else f" ({verdict.mode.value}, {verdict.grade.value})"
    return f"{verdict.status.value}{grade}: {verdict.statement}"


def _checked(case: Path, out: Path, made: str) -> CaseFile:
    """Read the case file; a fault leaves its page."""
    try:
        return read_case_file(case)
    except InputError as fault:
        write_failure(out, case.name, fault, made=made)
        raise


def _largest(case: Path, case_file: CaseFile) -> str:
    sizes = []
    for source in case_file.source:
        files = [case.parent / path for path in source_files(source.path, case.parent)]
        sizes.append((sum(file.stat().st_size for file in files if file.is_file()), source.path))
    sizes = [size for size in sizes if size[0]]
    return f"{max(sizes)[1]}, {max(sizes)[0] / 1e6:.1f} MB" if sizes else ""


def _finished(stage: Stage, notebook: NotebookNode, page: str, made_utc: str) -> ResultSet:
    """The whole set: what the notebook laid out, the notebook itself, and the page."""
    import nbformat

    missing = [name for name in (FINDINGS_NAME, SET_ASIDE_NAME, MANIFEST_NAME) if not stage.has(name)]
    if missing:
        raise RunError(f"the notebook ended without writing {', '.join(missing)}")
    text: str = nbformat.writes(notebook)  # type: ignore[no-untyped-call]
    files = {NOTEBOOK_NAME: text.encode("utf-8"), REPORT_NAME: page.encode("utf-8")}
    for name, content in files.items():
        stage.put(name, content)
    begun = ResultSet.model_validate_json((stage.new / MANIFEST_NAME).read_bytes())
    return begun.with_files(files, made_utc=made_utc)
