"""Runs the sites notebook over finished cases and leaves one offline page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from forensics.report.running.comparison_page import ComparisonPage

TABLES = "tables"
_PAGE = ComparisonPage("sites", "Comparison across sites: technical findings", "Comparison across sites")


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
    parameters: dict[str, Any] = {
        "folders": [str(folder.resolve()) for folder in folders],
        "fleet": "" if fleet is None else str(fleet.resolve()),
        "out": str((out / TABLES).resolve()),
    }
    return _PAGE.bound(parameters, out, now(), progress=progress)
