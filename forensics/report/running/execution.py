"""Runs one notebook by papermill: checked parameters, a time limit for each cell, and failures that name the cell."""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forensics.errors import (
    InputError,
    KernelDied,
    KernelNotStarted,
    NotebookStopped,
    Problem,
    Severity,
    Stopped,
)
from forensics.report.binding.markup import PROBLEMS_MIME
from forensics.report.notebooks import ADDED, check_injected, check_parameters, read_notebook
from forensics.report.running.kernel import KERNEL_NAME, RunPlace, Transport, manager_class, run_place

if TYPE_CHECKING:
    from nbformat import NotebookNode

_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
START_LIMIT_S = 120


def run_notebook(
    path: Path,
    parameters: Mapping[str, Any],
    *,
    cell_limit_s: float | None = None,
    progress: bool = False,
    largest_input: str = "",
    environment: Mapping[str, str] | None = None,
) -> NotebookNode:
    """Run a notebook with parameters and return it executed; a kernel that does not come up is started once more.

    Parameters
    ----------
    parameters
        By name; each must be assigned in the notebook's ``parameters`` cell.
    cell_limit_s
        A cell that runs longer is stopped.
    progress
        Whether a progress bar is drawn on the error stream.
    largest_input
        Path and size of the largest input, for the message when the kernel dies.
    environment
        Names added to the kernel's environment.

    Raises
    ------
    InputError
        The parameters do not fit the notebook.
    NotebookStopped
        A cell failed, ran too long, or the kernel died; it carries the part-run notebook.
    RunError
        The values that the run used are not those passed.
    """
    source = read_notebook(path)
    check_parameters(source, parameters, path.name)
    run = _Run(source, dict(parameters), path.name, cell_limit_s, largest_input, dict(environment or {}))
    with run_place() as place:
        first, second = place.transports
        try:
            executed = run.execute(place, first, progress=progress)
        except KernelNotStarted:
            executed = run.execute(place, second, progress=progress)
    check_injected(executed, parameters)
    _check_finished(executed)
    return executed


def _check_finished(executed: NotebookNode) -> None:
    """Refuse a notebook that ended itself: an exit without an error code passes for an end, and the rest is missing."""
    ended = any(output.get("output_type") == "error" for cell in executed.cells for output in cell.get("outputs", []))
    if ended:
        cell, of = _where(executed)
        raise NotebookStopped(Stopped(cell, of, f"stopped at cell {cell} of {of}: the notebook ended itself"), executed)


@dataclass(frozen=True)
class _Run:
    """One notebook with what it is run with."""

    source: NotebookNode
    parameters: dict[str, Any]
    name: str
    cell_limit_s: float | None
    largest_input: str
    environment: dict[str, str]

    def execute(self, place: RunPlace, transport: Transport, *, progress: bool) -> NotebookNode:
        """Run it once."""
        from nbclient.exceptions import CellTimeoutError, DeadKernelError
        from papermill.exceptions import PapermillExecutionError

        seen: list[NotebookNode] = []
        try:
            return self._by_papermill(place, transport, seen, progress=progress)
        except PapermillExecutionError as fault:
            notebook = seen[0]
            raise NotebookStopped(_cell_error(notebook, fault), notebook) from None
        except CellTimeoutError:
            cell, of = _where(seen[0])
            why = f"cell {cell} of {self.name} ran longer than {self.cell_limit_s:g} s and was stopped"
            raise NotebookStopped(Stopped(cell, of, why), seen[0]) from None
        except DeadKernelError:
            cell, of = _where(seen[0])
            hint = f"; largest input: {self.largest_input}" if self.largest_input else ""
            why = f"the kernel stopped in cell {cell} of {self.name} (often: out of memory{hint})"
            raise KernelDied(Stopped(cell, of, why), seen[0]) from None
        except RuntimeError as fault:
            why = f"the kernel did not start: {fault}"
            raise KernelNotStarted(Stopped(0, len(self.source.cells), why), self.source) from None

    def _by_papermill(
        self, place: RunPlace, transport: Transport, seen: list[NotebookNode], *, progress: bool
    ) -> NotebookNode:
        import papermill
        from papermill.engines import NBClientEngine, papermill_engines

        kernel = manager_class(place, transport, self.environment)

        class Watched(NBClientEngine):  # type: ignore[misc]
            """Keeps hold of the notebook while it runs, so that a failure can name its cell without saving each."""

            @classmethod
            def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **given: Any) -> Any:
                seen.append(nb_man.nb)
                given["kernel_manager_class"] = kernel
                return super().execute_managed_notebook(nb_man, kernel_name, **given)

        papermill_engines.register("watched", Watched)
        logging.getLogger("papermill").setLevel(logging.CRITICAL)
        logging.getLogger("traitlets").setLevel(logging.CRITICAL)
        executed: NotebookNode = papermill.execute_notebook(
            self.source,
            place.folder.as_posix().replace("{", "{{").replace("}", "}}") + "/executed.ipynb",
            parameters=self.parameters,
            engine_name="watched",
            request_save_on_cell_execute=False,
            progress_bar=progress,
            kernel_name=KERNEL_NAME,
            language="python",
            start_timeout=START_LIMIT_S,
            execution_timeout=_whole_seconds(self.cell_limit_s),
            shutdown_kernel="immediate",
        )
        return executed


def _whole_seconds(limit_s: float | None) -> int | None:
    return None if limit_s is None else max(1, round(limit_s))


def _where(notebook: NotebookNode) -> tuple[int, int]:
    """Number of the last cell that was begun, and of all cells, the injected one not counted."""
    own = [c for c in notebook.cells if not ADDED & set(c.metadata.get("tags", []))]
    begun = [n for n, c in enumerate(own, start=1) if c.metadata.get("papermill", {}).get("start_time")]
    return (begun[-1] if begun else 0), len(own)


def _cell_error(notebook: NotebookNode, fault: Any) -> Stopped:
    cell, of = _where(notebook)
    problems: list[Problem] = []
    for output in (o for c in notebook.cells for o in c.get("outputs", [])):
        for row in output.get("data", {}).get(PROBLEMS_MIME, []):
            problems.append(Problem(**{**row, "severity": Severity(row["severity"])}))
    detail = "" if problems else _COLOUR.sub("", "\n".join(fault.traceback))
    said = "the input must be corrected" if problems else (fault.evalue.strip() or fault.ename)
    why = f"stopped at cell {cell} of {of}: {said}" if cell else said
    return Stopped(cell, of, why, detail, tuple(problems))


def input_error(stopped: Stopped) -> InputError | None:
    """The problems of a stopped run as one error, where the input is at fault."""
    return InputError(stopped.problems) if stopped.problems else None
