"""The report: runs a notebook with checked parameters and binds its outputs into one offline page.

What runs a notebook is imported when it is first asked for: ``check`` reads a case and needs none of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forensics.report.running.runner import RunResult, run_report

__all__ = ["RunResult", "run_report"]


def __getattr__(name: str) -> Any:
    """The names of the runner."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from forensics.report.running import runner

    return getattr(runner, name)
