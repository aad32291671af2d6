"""``sites``: finished cases held side by side."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, command, matching
from forensics.cli.speech import Speech


def add(commands: Commands) -> None:
    """Add the command."""
    sites = command(
        commands, "sites", "compare finished cases across sites", "forensics sites 'done/*' --fleet fleet.csv"
    )
    sites.add_argument("folders", nargs="+", metavar="DIR", help="folders with findings files, or patterns of them")
    sites.add_argument("--out", type=Path, default=Path("sites"), metavar="DIR", help="where to (default: sites)")
    sites.add_argument(
        "--fleet",
        type=Path,
        default=None,
        metavar="fleet.csv",
        help="exposure: machine, from, to, hours, starts, still running (default: none, and no rates)",
    )
    sites.set_defaults(run=run_sites)


def run_sites(parsed: Any, speech: Speech) -> Answer:
    """Compare finished cases."""
    from forensics.sites import compare_sites

    folders = tuple(Path(name) for name in matching(parsed.folders))
    with nullcontext() if speech.bar else speech.at_work("sites"):
        said = compare_sites(folders, parsed.out, fleet=parsed.fleet, progress=speech.bar)
    return Answer((str(said),), {"said": str(said).splitlines()})
