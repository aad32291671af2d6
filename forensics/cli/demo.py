"""``demo``: the incident notebook on a demonstration case; and the whole job of one, from the call to the proof."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, command
from forensics.cli.report import options, report_on
from forensics.cli.speech import Speech
from forensics.errors import InputError, Problem

DEMO_OUT = Path("demo-report")
WHOLE_JOB = "whole-job"
# cases that are made when they are asked for: their exports would be too much to ship
MADE = {
    "reverse-rotation": "Growl after each stop: rotors that turned back",
    "ammonia-inch-pound": "Trips on high condensing pressure: ammonia, evaporative condenser, inch-pound",
    WHOLE_JOB: "The case of loaded-starts in five stages: call, hold, tests, action, proof; papers of each",
}
ACTION, PROOF = "4-action", "5-proof"


def add(commands: Commands) -> None:
    """Add the command."""
    demo = command(
        commands,
        "demo",
        "run a demonstration case that ships or is made",
        "forensics demo loaded-starts --out demo-report",
    )
    demo.add_argument("name", nargs="?", default="loaded-starts", help="which one (default: loaded-starts)")
    demo.add_argument("--list", action="store_true", help="name the demonstration cases and end")
    options(demo, f"folder of the results (default: {DEMO_OUT})")
    demo.set_defaults(run=run_demo)


def run_demo(parsed: Any, speech: Speech) -> Answer:
    """Run a demonstration case, or list them."""
    from forensics.case.read import read_case_file
    from forensics.demo import DEMO_CASES

    if parsed.list:
        titles = {name: read_case_file(path).case.title for name, path in DEMO_CASES.items()} | MADE
        lines = tuple(f"{name:<18} {title}" for name, title in titles.items())
        return Answer(lines, {"demonstrations": titles})
    out = parsed.out or DEMO_OUT
    if parsed.name in DEMO_CASES:
        return report_on(DEMO_CASES[parsed.name], out, parsed, speech)
    if parsed.name not in MADE:
        known = ", ".join((*DEMO_CASES, *MADE))
        raise InputError([Problem(f"there is no demonstration case '{parsed.name}'", remedy=f"There are: {known}.")])
    if parsed.name == WHOLE_JOB:
        return _whole_job(out, parsed, speech)
    return report_on(_made(parsed.name, out / "case", speech), out, parsed, speech)


def _made(name: str, folder: Path, speech: Speech) -> Path:
    """Make a demonstration case; its machine is simulated with the property library."""
    from forensics.demo.more_cases import MORE

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError([Problem("is no empty folder", file=str(folder), remedy="Give another one with --out.")])
    try:
        with speech.at_work("making the machine"):
            made: Path = MORE[name](folder)
    except ValueError as fault:
        raise InputError([Problem(str(fault))]) from None
    return made


def _whole_job(out: Path, parsed: Any, speech: Speech) -> Answer:
    """Every stage with its papers; the report of the fourth, and that of the fifth, which judges the action by it."""
    from forensics.papers.write import make_papers

    _made(WHOLE_JOB, out, speech)
    cases = sorted(out.glob("*/case.toml"))
    papers = [str(make_papers(case).files[0]) for case in cases]
    action = report_on(out / ACTION / "case.toml", out / PROOF / "earlier", parsed, speech)
    proof = report_on(out / PROOF / "case.toml", out / PROOF / "report", parsed, speech)
    data = {"papers": papers, "action": action.data, "proof": proof.data}
    return Answer((*papers, *action.lines, *proof.lines), data, (*action.notes, *proof.notes))
