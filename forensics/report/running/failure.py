"""The page of a run that did not finish: clearly named, and clearly no report."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from forensics.errors import InputError, NotebookStopped
from forensics.report.binding.markup import render
from forensics.report.binding.page import page_file, sections
from forensics.report.written.result_set import FAILED_NAME, REPORT_NAME

if TYPE_CHECKING:
    from nbformat import NotebookNode

__all__ = ["FAILED_NAME", "REPORT_NAME", "write_failure", "write_whole"]


def write_failure(out: Path, title: str, fault: Exception, *, made: str, notebook: NotebookNode | None = None) -> Path:
    """Write ``report.FAILED.html``; nothing else in the folder is touched.

    Parameters
    ----------
    title
        Case id, or the name of the case file.
    fault
        What stopped the run.
    notebook
        The notebook that was run, for the sections that were reached and not reached.
    """
    problems: tuple[str, ...] = ()
    detail, cell = "", 0
    headline = str(fault).splitlines()[0] if str(fault) else type(fault).__name__
    if isinstance(fault, NotebookStopped):
        detail, cell = fault.stopped.detail, fault.stopped.cell
        problems = tuple(str(problem) for problem in fault.stopped.problems)
        notebook = fault.notebook
    elif isinstance(fault, InputError):
        problems = tuple(str(problem) for problem in fault.problems)
        headline = "the input must be corrected"
    named = list(sections(notebook)) if notebook is not None else []
    page = render(
        "failed.html.j2",
        {
            "title": title,
            "headline": headline,
            "problems": problems,
            "detail": detail,
            "reached": [name for number, name in named if number < cell],
            "missed": [name for number, name in named if number >= cell],
            "older": (out / REPORT_NAME).exists(),
            "css": page_file("report.css"),
            "made": made,
        },
    )
    path = out / FAILED_NAME
    write_whole(path, page.encode("utf-8"))
    return path


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that its name never stands on half of it; writers at once never share a half."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        part.chmod(0o666 & ~_umask())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _umask() -> int:
    """The mask that files of this process get; a temporary file is for its owner only."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
