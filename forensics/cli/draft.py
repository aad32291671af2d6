"""``draft``: exports to a case file with its questions."""

from __future__ import annotations

import json
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
    draft.add_argument("--zone", default="", metavar="ZONE", help="zone of stamps that carry none (default: asked)")
    draft.add_argument("--refrigerant", default="", metavar="NAME", help="ASHRAE 34 designation (default: asked)")
    draft.add_argument("--failure", default="", metavar="TIME", help="when it failed (default: the last trip)")
    draft.add_argument(
        "--units",
        default="",
        choices=("si", "inch-pound"),
        help="units of the report, and of every kind of point whose unit no export tells (default: si, and asked)",
    )
    draft.add_argument(
        "--like", type=Path, default=None, metavar="OTHER.toml", help="take roles, units and words of a sister machine"
    )
    draft.set_defaults(run=run_draft)


def run_draft(parsed: Any, speech: Speech) -> Answer:
    """Draft a case file."""
    from forensics.case.reference import case_schema
    from forensics.intake.draft.answers import SCHEMA_NAME, Answers, answered
    from forensics.intake.draft.draft import draft_case
    from forensics.intake.draft.exports_in import exports_in

    answers = Answers(parsed.zone, parsed.refrigerant, parsed.failure, parsed.units, parsed.like)
    answers.check()
    exports = exports_in([Path(name) for name in matching(parsed.exports)])
    with speech.at_work("draft"):
        text = answered(draft_case(exports, parsed.out), answers, schema=parsed.out is not None)
    if parsed.out is None:
        return Answer(data={"draft": text}, plain=text)
    parsed.out.write_text(text, encoding="utf-8")
    schema = parsed.out.parent / SCHEMA_NAME
    if not schema.exists():
        schema.write_text(json.dumps(case_schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return Answer((str(parsed.out),), {"written": str(parsed.out), "questions": text.count("# QUESTION: ")})
