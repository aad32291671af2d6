"""``papers``: the working papers of the job as printable pages."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, command
from forensics.cli.speech import Speech


def add(commands: Commands) -> None:
    """Add the command."""
    papers = command(
        commands,
        "papers",
        "the working papers of the job as printable pages, filled as far as the case goes",
        "forensics papers case.toml --out papers",
    )
    papers.add_argument("case", type=Path, metavar="CASE.toml", help="the case file; a telephone call is enough")
    papers.add_argument("--out", type=Path, metavar="DIR", help="folder (default: papers beside the case file)")
    papers.set_defaults(run=run_papers)


def run_papers(parsed: Any, speech: Speech) -> Answer:
    """Write the papers of a case."""
    from forensics.papers import make_papers

    with speech.at_work("papers"):
        made = make_papers(parsed.case, parsed.out)
    lines = (*(f"note: {note}" for note in made.notes), *(str(path) for path in made.files))
    return Answer(lines, {"notes": list(made.notes), "files": [str(path) for path in made.files]})
