"""Runs the study and its notebook, and leaves one offline page."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from forensics.errors import ForensicsError, InputError, RunError
from forensics.study.run import StudyPlan, run_study

if TYPE_CHECKING:
    from nbformat import NotebookNode

PAGE, FAILED, NOTEBOOK = "study.html", "study.FAILED.html", "study.ipynb"
TITLE = "Validation study: how often this method is right"


def _now() -> datetime:
    return datetime.now(UTC)


def study(
    wanted: StudyPlan,
    *,
    progress: bool = False,
    now: Callable[[], datetime] = _now,
) -> str:
    """Judge the cases of a study and bind its page.

    Parameters
    ----------
    progress
        Whether the number of machines that are judged is shown on the error stream.

    Returns
    -------
    str
        A summary and the path of the page.

    Raises
    ------
    InputError
        The plan, the folder or the scheduler must be corrected.
    RunError
        The notebook did not run to its end; the answers stay, and the same command goes on from them.
    """
    import nbformat

    from forensics.report.binding.page import bind
    from forensics.report.notebooks import notebook_path
    from forensics.report.running.execution import NotebookStopped, run_notebook
    from forensics.report.running.failure import write_failure, write_whole

    made = f"Made {now().astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}."
    # before the kernel starts: a pool of processes and its progress belong to the terminal
    run_study(wanted, progress=_counted if progress else _silent)
    out = wanted.out
    parameters: dict[str, Any] = {"out": str(out.resolve()), "cases": wanted.cases, "seed": wanted.seed}
    try:
        notebook = run_notebook(notebook_path("study"), parameters)
        page = bind(notebook, title=TITLE, made=made)
    except (ForensicsError, KeyboardInterrupt) as fault:
        shown = RunError("stopped by hand") if isinstance(fault, KeyboardInterrupt) else fault
        write_failure(out, "Validation study", shown, made=made).replace(out / FAILED)
        if isinstance(fault, NotebookStopped) and fault.stopped.problems:
            raise InputError(fault.stopped.problems) from None
        raise
    write_whole(out / NOTEBOOK, nbformat.writes(notebook).encode("utf-8"))  # type: ignore[no-untyped-call]
    write_whole(out / PAGE, page.encode("utf-8"))
    (out / FAILED).unlink(missing_ok=True)
    return f"{_summary(notebook)}\n{out / PAGE}"


def _counted(done: int, of: int) -> None:
    """A line on the terminal that is written over."""
    print(f"\r{done} of {of} machines", end="\n" if done == of else "", file=sys.stderr, flush=True)


def _silent(done: int, of: int) -> None:
    """Nobody looks on."""


def _summary(notebook: NotebookNode) -> str:
    """The line that the notebook leaves about what it read."""
    from forensics.study.sections import SUMMARY_MIME

    for output in (o for cell in notebook.cells for o in cell.get("outputs", [])):
        found = output.get("data", {}).get(SUMMARY_MIME)
        if found is not None:
            return str(found["text"])
    raise RunError("the notebook ended without saying what it read")
