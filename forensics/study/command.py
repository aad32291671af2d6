"""Runs the study and its notebook, and leaves one offline page."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from forensics.report.running.comparison_page import ComparisonPage
from forensics.study.run import StudyPlan, run_study

_PAGE = ComparisonPage("study", "Validation study: how often this method is right", "Validation study")


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
    # before the kernel starts: a pool of processes and its progress belong to the terminal
    run_study(wanted, progress=_counted if progress else _silent)
    parameters: dict[str, Any] = {"out": str(wanted.out.resolve()), "cases": wanted.cases, "seed": wanted.seed}
    return _PAGE.bound(parameters, wanted.out, now())


def _counted(done: int, of: int) -> None:
    """A line on the terminal that is written over."""
    print(f"\r{done} of {of} machines", end="\n" if done == of else "", file=sys.stderr, flush=True)


def _silent(done: int, of: int) -> None:
    """Nobody looks on."""
