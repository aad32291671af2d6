"""``check`` and ``notebooks``: a case before it is judged, and the notebooks to open it in."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, command
from forensics.cli.speech import Speech


def add(commands: Commands) -> None:
    """Add both commands."""
    check = command(
        commands, "check", "read everything and say what is missing; judges nothing", "forensics check case.toml"
    )
    check.add_argument(
        "case",
        type=Path,
        metavar="CASE.toml|POINTS.csv",
        help="the case file, an unfinished one, too; or, before any event, a list of a site's points (CSV with the "
        "columns role, interval_s, recorded)",
    )
    check.set_defaults(run=run_check)
    notebooks = command(
        commands,
        "notebooks",
        "copy the notebooks and a demonstration case, ready to open",
        "forensics notebooks bench",
    )
    notebooks.add_argument("folder", type=Path, metavar="DIR", help="where to; a case file that lies there stays")
    notebooks.set_defaults(run=run_notebooks)


def run_check(parsed: Any, speech: Speech) -> Answer:
    """Describe a case."""
    from forensics.report.checking.check import check_case, text_of
    from forensics.report.checking.point_list import check_point_list, is_point_list

    with speech.at_work("check"):
        found = check_point_list(parsed.case) if is_point_list(parsed.case) else check_case(parsed.case)
    return Answer((text_of(found),), found.data())


def run_notebooks(parsed: Any, speech: Speech) -> Answer:
    """Copy the notebooks."""
    from forensics.demo import DEMO_CASES
    from forensics.report.notebook_copies import copy_notebooks

    written = copy_notebooks(parsed.folder, DEMO_CASES["loaded-starts"])
    own = not any(path.name == "case.toml" for path in written)
    notes = ("the folder has a case file of its own; no demonstration case was copied",) if own else ()
    return Answer(tuple(map(str, written)), {"written": [str(path) for path in written]}, notes)
