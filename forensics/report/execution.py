"""Runs one notebook by papermill: checked parameters, a time limit for each cell, and failures that name the cell."""

from __future__ import annotations

import logging
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forensics.errors import InputError, Problem, RunError, Severity
from forensics.report.markup import PROBLEMS_MIME
from forensics.report.notebooks import ADDED, check_injected, check_parameters, read_notebook

if TYPE_CHECKING:
    from nbformat import NotebookNode

_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
START_LIMIT_S = 120


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

    def __init__(self, stopped: Stopped, notebook: NotebookNode) -> None:
        self.stopped = stopped
        self.notebook = notebook
        super().__init__(stopped.why)


def run_notebook(
    path: Path,
    parameters: Mapping[str, Any],
    *,
    cell_limit_s: float | None = None,
    progress: bool = False,
    largest_input: str = "",
) -> NotebookNode:
    """Run a notebook with parameters and return it executed.

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
    executed = _execute(source, dict(parameters), path.name, cell_limit_s, largest_input, progress=progress)
    check_injected(executed, parameters)
    _check_finished(executed)
    return executed


def _check_finished(executed: NotebookNode) -> None:
    """Refuse a notebook that ended itself: an exit without an error code passes for an end, and the rest is missing."""
    ended = any(output.get("output_type") == "error" for cell in executed.cells for output in cell.get("outputs", []))
    if ended:
        cell, of = _where(executed)
        raise NotebookStopped(Stopped(cell, of, f"stopped at cell {cell} of {of}: the notebook ended itself"), executed)


def _execute(
    source: NotebookNode,
    parameters: dict[str, Any],
    name: str,
    cell_limit_s: float | None,
    largest_input: str,
    *,
    progress: bool,
) -> NotebookNode:
    import papermill
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.engines import NBClientEngine, papermill_engines
    from papermill.exceptions import PapermillExecutionError

    seen: list[NotebookNode] = []

    class Watched(NBClientEngine):  # type: ignore[misc]
        """Keeps hold of the notebook while it runs, so that a failure can name its cell without saving each cell."""

        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **given: Any) -> Any:
            seen.append(nb_man.nb)
            return super().execute_managed_notebook(nb_man, kernel_name, **given)

    papermill_engines.register("watched", Watched)
    logging.getLogger("papermill").setLevel(logging.CRITICAL)
    logging.getLogger("traitlets").setLevel(logging.CRITICAL)
    with tempfile.TemporaryDirectory() as folder:
        try:
            executed: NotebookNode = papermill.execute_notebook(
                source,
                Path(folder).as_posix().replace("{", "{{").replace("}", "}}") + "/executed.ipynb",
                parameters=parameters,
                engine_name="watched",
                request_save_on_cell_execute=False,
                progress_bar=progress,
                kernel_name="python3",
                language="python",
                start_timeout=START_LIMIT_S,
                execution_timeout=_whole_seconds(cell_limit_s),
                shutdown_kernel="immediate",
                extra_arguments=["--log-level=40"],
            )
            return executed
        except PapermillExecutionError as fault:
            notebook = seen[0]
            raise NotebookStopped(_cell_error(notebook, fault), notebook) from None
        except CellTimeoutError:
            cell, of = _where(seen[0])
            why = f"cell {cell} of {name} ran longer than {cell_limit_s:g} s and was stopped"
            raise NotebookStopped(Stopped(cell, of, why), seen[0]) from None
        except DeadKernelError:
            cell, of = _where(seen[0])
            hint = f"; largest input: {largest_input}" if largest_input else ""
            why = f"the kernel stopped in cell {cell} of {name} (often: out of memory{hint})"
            raise NotebookStopped(Stopped(cell, of, why), seen[0]) from None
        except RuntimeError as fault:
            raise NotebookStopped(Stopped(0, len(source.cells), f"the kernel did not start: {fault}"), source) from None


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
