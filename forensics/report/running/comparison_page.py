"""Runs a notebook over many cases and binds its page; a failure leaves a page of its own beside an older one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forensics.errors import ForensicsError, InputError, Problem, RunError
from forensics.model.outside_text import table_for_sheet
from forensics.report.binding.markup import render, show_markup, table_markup

if TYPE_CHECKING:
    import pandas as pd
    from nbformat import NotebookNode

_SUMMARY_MIME = "application/vnd.screw-forensics.summary+json"


@dataclass(frozen=True, slots=True)
class ComparisonPage:
    """What a page over many cases is called, and the names of its files.

    Attributes
    ----------
    notebook
        Name of the notebook that ships; ``NOTEBOOK.html``, ``NOTEBOOK.FAILED.html`` and ``NOTEBOOK.ipynb`` are left.
    title, short
        Of the page, and of the page that tells a failure.
    """

    notebook: str
    title: str
    short: str

    def bound(self, parameters: Mapping[str, Any], out: Path, made: datetime, *, progress: bool = False) -> str:
        """Run the notebook, leave page and executed notebook in ``out``; its summary and the path of the page.

        Raises
        ------
        InputError
            What the notebook was given must be corrected.
        RunError
            It did not run to its end; an older page stays, and one named for the failure says so.
        """
        import nbformat

        from forensics.errors import NotebookStopped
        from forensics.report.binding.page import bind
        from forensics.report.notebooks import notebook_path
        from forensics.report.running.execution import run_notebook
        from forensics.report.running.failure import write_failure, write_whole

        stamp = f"Made {made.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}."
        failed, page_file = out / f"{self.notebook}.FAILED.html", out / f"{self.notebook}.html"
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise InputError([Problem(f"can't be written to ({fault.strerror})", file=str(out))]) from None
        try:
            notebook = run_notebook(notebook_path(self.notebook), dict(parameters), progress=progress)
            page = bind(notebook, title=self.title, made=stamp)
        except (ForensicsError, KeyboardInterrupt) as fault:
            shown = RunError("stopped by hand") if isinstance(fault, KeyboardInterrupt) else fault
            write_failure(out, self.short, shown, made=stamp).replace(failed)
            if isinstance(fault, NotebookStopped) and fault.stopped.problems:
                raise InputError(fault.stopped.problems) from None
            raise
        text = nbformat.writes(notebook)  # type: ignore[no-untyped-call]
        write_whole(out / f"{self.notebook}.ipynb", text.encode("utf-8"))
        write_whole(page_file, page.encode("utf-8"))
        failed.unlink(missing_ok=True)
        return f"{_summary(notebook)}\n{page_file}"


def _summary(notebook: NotebookNode) -> str:
    """The line that the notebook leaves about what it read."""
    for output in (o for cell in notebook.cells for o in cell.get("outputs", [])):
        found = output.get("data", {}).get(_SUMMARY_MIME)
        if found is not None:
            return str(found["text"])
    raise RunError("the notebook ended without saying what it read")


def leave_summary(text: str) -> None:
    """Leave the line on what was read, for the program that runs the notebook; a reader sees nothing of it."""
    from IPython.display import display

    display({_SUMMARY_MIME: {"text": text}, "text/plain": ""}, raw=True)  # type: ignore[no-untyped-call]


def show_note(text: str) -> None:
    """Display a line of plain text."""
    show_markup(render("note.html.j2", {"text": text}))


def keep_table(table: pd.DataFrame, folder: Path, key: str) -> None:
    """Write a table as CSV that a sheet opens without running anything."""
    folder.mkdir(parents=True, exist_ok=True)
    table_for_sheet(table).to_csv(folder / f"{key}.csv", index=False)


def show_listed(
    table: pd.DataFrame, key: str, caption: str, folder: Path | None, *, none: str = "", rows: int = 200
) -> None:
    """Display a table and write it as CSV into ``folder``; an empty one shows what ``none`` says."""
    if not len(table):
        show_note(none)
        return
    show_markup(table_markup(table, caption=caption, key=f"table-{key}", rows=rows))
    if folder is not None:
        keep_table(table, folder, key)
