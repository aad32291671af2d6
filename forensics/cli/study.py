"""``study``: how often checks, grades and verdicts are right on simulated machines."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, command
from forensics.cli.speech import Speech


def add(commands: Commands) -> None:
    """Add the command."""
    study = command(
        commands,
        "study",
        "how often checks, grades and verdicts are right on simulated machines",
        "forensics study --cases 200 --seed 7 --workers 2 --out study",
    )
    study.add_argument("--cases", type=int, default=60, metavar="N", help="cases to judge (default: 60)")
    study.add_argument("--seed", type=int, default=1, metavar="S", help="another seed, other machines (default: 1)")
    where = study.add_mutually_exclusive_group()
    where.add_argument("--workers", type=int, default=1, metavar="N", help="processes on this machine (default: 1)")
    where.add_argument("--scheduler", default="", metavar="ADDRESS", help="a running dask.distributed scheduler")
    study.add_argument(
        "--out",
        type=Path,
        default=Path("study"),
        metavar="DIR",
        help="folder; what it holds is not made again (default: study)",
    )
    study.set_defaults(run=run_study)


def run_study(parsed: Any, speech: Speech) -> Answer:
    """Carry out a study."""
    from forensics.study.command import study
    from forensics.study.run import StudyPlan

    asked = StudyPlan(parsed.cases, parsed.out, parsed.seed, parsed.workers, parsed.scheduler)
    with nullcontext() if speech.bar else speech.at_work("study"):
        said = study(asked, progress=speech.bar)
    return Answer((str(said),), {"said": str(said).splitlines()})
