"""Which rules and which code judged the cases of a study: what the study itself wrote there is left out."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path

from forensics.rules import FOLDER

STUDY = FOLDER / "study"
_DRESSING = ("report", "study", "sites", "batch", "seal", "demo", "cli.py", "cli", "__main__.py")


def rules_in_use() -> str:
    """SHA-256 over the rules that judged: all of them but the tables that the study writes."""
    written = {STUDY / "verdicts.toml", STUDY / "checks.toml"}
    found = (path for path in FOLDER.rglob("*") if path.suffix in {".toml", ".csv"} and path not in written)
    return _digest(found, FOLDER)


def code_in_use() -> str:
    """SHA-256 over the modules that judge; those that only dress, pack or compare what was judged are left out."""
    package = FOLDER.parent
    found = (p for p in package.rglob("*.py") if p.relative_to(package).parts[0] not in _DRESSING)
    return _digest(found, package)


def _digest(paths: Iterable[Path], folder: Path) -> str:
    digest = hashlib.sha256()
    for path in sorted(paths):
        digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()
