"""The page of a case from its composed cells: all that the program needs that runs a notebook, and nothing heavy.

What composes the cells loads the whole investigation; the process that only binds them must not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from forensics.case.schema import CaseFile
from forensics.report.page import bind

PAGE_CELLS = "page.json"
"""In the scratch folder of a run: the page as cells, which the run binds once it has the cells of the engineer, too."""


def page_of(cells: Sequence[dict[str, Any]], casefile: CaseFile, *, made: str) -> str:
    """The page of composed cells.

    Parameters
    ----------
    made
        When it was made, as the page says it: ``Made 2031-06-01T12:00:00Z.``
    """
    from nbformat import from_dict

    return bind(from_dict({"cells": list(cells)}), title=title_of(casefile), made=made)  # type: ignore[no-untyped-call]


def title_of(casefile: CaseFile) -> str:
    """Title of a case's page."""
    case = casefile.case
    parts = (case.title, case.site, case.machine_tag)
    named = " · ".join(part for part in parts if part)
    return f"{named + ' – ' if named else ''}technical findings, case {case.id}"
