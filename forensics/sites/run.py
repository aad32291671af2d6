"""Runs the sites notebook over finished cases and leaves one offline page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forensics.errors import ForensicsError, InputError, Problem, RunError

if TYPE_CHECKING:
    from nbformat import NotebookNode

SUMMARY_MIME = "application/vnd.screw-forensics.summary+json"
PAGE, FAILED, NOTEBOOK, TABLES = "sites.html", "sites.FAILED.html", "sites.ipynb", "tables"


def _now() -> datetime:
    return datetime.now(UTC)


def compare_sites(
    folders: Sequence[Path],
    out: Path,
    *,
    fleet: Path | None = None,
    progress: bool = False,
    now: Callable[[], datetime] = _now,
) -> str:
    """Compare finished cases across sites.

    Parameters
    ----------
    folders
        Folders with findings files, at any depth; bags, too.
    out
        Folder for ``sites.html``, the executed notebook and the tables as CSV.
    fleet
        Exposure; without it no rate is given.

    Returns
    -------
    str
        A summary and the path of the page.

    Raises
    ------
    InputError
        No findings file is found, or the exposure must be corrected: all problems at once.
    RunError
        The notebook did not run to its end; an older page stays, and one named for the failure says so.
    """
    import nbformat

    from forensics.report.binding.page import bind
    from forensics.report.notebooks import notebook_path
    from forensics.report.running.execution import NotebookStopped, run_notebook
    from forensics.report.running.failure import write_failure, write_whole

    made = f"Made {now().astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}."
    parameters: dict[str, Any] = {
        "folders": [str(folder.resolve()) for folder in folders],
        "fleet": "" if fleet is None else str(fleet.resolve()),
        "out": str((out / TABLES).resolve()),
    }
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise InputError([Problem(f"can't be written to ({fault.strerror})", file=str(out))]) from None
    try:
        notebook = run_notebook(notebook_path("sites"), parameters, progress=progress)
        page = bind(notebook, title="Comparison across sites: technical findings", made=made)
    except (ForensicsError, KeyboardInterrupt) as fault:
        shown = RunError("stopped by hand") if isinstance(fault, KeyboardInterrupt) else fault
        write_failure(out, "Comparison across sites", shown, made=made).replace(out / FAILED)
        if isinstance(fault, NotebookStopped) and fault.stopped.problems:
            raise InputError(fault.stopped.problems) from None
        raise
    write_whole(out / NOTEBOOK, nbformat.writes(notebook).encode("utf-8"))  # type: ignore[no-untyped-call]
    write_whole(out / PAGE, page.encode("utf-8"))
    (out / FAILED).unlink(missing_ok=True)
    return f"{_summary(notebook)}\n{out / PAGE}"


def _summary(notebook: NotebookNode) -> str:
    """The line that the notebook leaves about what it read."""
    for output in (o for cell in notebook.cells for o in cell.get("outputs", [])):
        found = output.get("data", {}).get(SUMMARY_MIME)
        if found is not None:
            return str(found["text"])
    raise RunError("the notebook ended without saying what it read")
