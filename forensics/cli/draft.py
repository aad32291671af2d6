"""``draft``: exports to a case file with its questions."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, command, matching
from forensics.cli.speech import Speech


def add(commands: Commands) -> None:
    """Add the command."""
    draft = command(
        commands,
        "draft",
        "read exports and draft a case file",
        "forensics draft exports --zone America/Chicago --refrigerant R134a --units inch-pound --out case.toml",
    )
    draft.add_argument("exports", nargs="+", metavar="EXPORT", help="files, folders, archives (.zip) or patterns")
    draft.add_argument("--out", type=Path, default=None, metavar="CASE.toml", help="where to write it (default: print)")
    draft.set_defaults(run=run_draft)


def run_draft(parsed: Any, speech: Speech) -> Answer:
    """Draft a case file."""
    from forensics.intake.draft.draft import draft_case

    exports = [Path(name) for name in matching(parsed.exports)]
    with speech.at_work("draft"):
        text = draft_case(exports, parsed.out)
    if parsed.out is None:
        return Answer(data={"draft": text}, plain=text)
    parsed.out.write_text(text, encoding="utf-8")
    return Answer((str(parsed.out),), {"written": str(parsed.out), "questions": text.count("# QUESTION: ")})
