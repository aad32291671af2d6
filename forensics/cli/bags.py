"""``seal`` and ``verify``: a finished case as a bag, and whether a bag is what was sealed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from forensics.cli.answer import CORRECT, DONE, Answer
from forensics.cli.options import Commands, command
from forensics.cli.speech import Speech


def add(commands: Commands) -> None:
    """Add both commands."""
    example = "forensics seal report --by 'site engineer' --key private.pem"
    seal = command(commands, "seal", "pack a finished case as a BagIt bag", example)
    seal.add_argument("folder", type=Path, metavar="DIR", help="folder of the results of one run")
    seal.add_argument(
        "--out", type=Path, default=None, metavar="BAG", help="the bag (default: DIR-sealed; revision 2: DIR-sealed-r2)"
    )
    seal.add_argument("--by", default="", metavar="NAME", help="who seals it, for custody.csv")
    seal.add_argument(
        "--case", type=Path, default=None, metavar="CASE.toml", help="where it is not found from the results"
    )
    seal.add_argument("--key", type=Path, default=None, metavar="PRIVATE.pem", help="sign with this Ed25519 key")
    seal.set_defaults(run=run_seal)
    verify = command(
        commands, "verify", "check a bag and make its results again", "forensics verify report-sealed --key public.pem"
    )
    verify.add_argument("bag", type=Path, metavar="BAG|ZIP", help="the bag, or an archive of it")
    verify.add_argument("--key", type=Path, default=None, metavar="PUBLIC.pem", help="key that must have signed it")
    verify.add_argument("--seal-id", default="", metavar="ID", help="seal id that it must have")
    verify.set_defaults(run=run_verify)


def run_seal(parsed: Any, speech: Speech) -> Answer:
    """Pack a finished case."""
    from forensics.seal import seal, seal_id

    bag = seal(
        parsed.folder, parsed.out, by=parsed.by, case=parsed.case, key=parsed.key, passphrase=_passphrase(parsed.key)
    )
    name = seal_id(bag)
    lines = (
        str(bag),
        f"seal id {name} (note it somewhere else: it stands for every byte of the bag)",
        "signed" if parsed.key is not None else "unsigned: give --key to show who sealed it",
    )
    return Answer(lines, {"bag": str(bag), "seal_id": name, "signed": parsed.key is not None})


def _passphrase(key: Path | None) -> Callable[[], bytes] | None:
    """Asks for the passphrase of a key where somebody sits at the terminal."""
    if key is None or not sys.stdin.isatty():
        return None

    def ask() -> bytes:
        import getpass

        return getpass.getpass(f"passphrase of {key.name}: ").encode()

    return ask


def run_verify(parsed: Any, speech: Speech) -> Answer:
    """Check a bag."""
    from forensics.seal import verify

    with speech.at_work("verify"):
        outcome = verify(parsed.bag, key=parsed.key, wanted_id=parsed.seal_id)
    data = {
        "sound": outcome.sound,
        "seal_id": outcome.seal,
        "signed": outcome.signed.state,
        "faults": list(outcome.faults),
        "results": {row.name: row.state for row in outcome.results},
        "differences": list(outcome.differences),
        "limits": list(outcome.limits),
        "remarks": list(outcome.notes),
        "text": outcome.text.splitlines(),
    }
    return Answer((outcome.text,), data, code=DONE if outcome.sound else CORRECT)
