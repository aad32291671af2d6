"""Root-cause workbook for twin-screw chiller compressors.

``open_case`` reads a case and works it through; the :class:`Workbook` that it gives holds every result as a pandas
DataFrame, draws every figure and writes the report. Names are loaded when they are first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forensics import seal
    from forensics.errors import ForensicsError, InputError, Problem, RunError
    from forensics.intake.draft.draft import draft_case
    from forensics.model.vocabulary import Grade, Mode, Outcome, Role
    from forensics.results.diff import compare_findings
    from forensics.results.findings_json import read_findings
    from forensics.seal.verify import verify
    from forensics.workbook import Workbook, open_case

_WHERE = {
    "ForensicsError": "forensics.errors",
    "Grade": "forensics.model.vocabulary",
    "InputError": "forensics.errors",
    "Mode": "forensics.model.vocabulary",
    "Outcome": "forensics.model.vocabulary",
    "Problem": "forensics.errors",
    "Role": "forensics.model.vocabulary",
    "RunError": "forensics.errors",
    "Workbook": "forensics.workbook",
    "compare_findings": "forensics.results.diff",
    "draft_case": "forensics.intake.draft.draft",
    "open_case": "forensics.workbook",
    "read_findings": "forensics.results.findings_json",
    "verify": "forensics.seal",
}

__all__ = [
    "ForensicsError",
    "Grade",
    "InputError",
    "Mode",
    "Outcome",
    "Problem",
    "Role",
    "RunError",
    "Workbook",
    "compare_findings",
    "draft_case",
    "open_case",
    "read_findings",
    "seal",
    "verify",
]


def __getattr__(name: str) -> Any:
    if name == "seal":  # a package that can be called
        return import_module("forensics.seal")
    if name not in _WHERE:
        raise AttributeError(f"module 'forensics' has no attribute '{name}'")
    value = getattr(import_module(_WHERE[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
