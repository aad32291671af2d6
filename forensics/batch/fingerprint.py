"""One hash of the software that makes a report: code, notebooks, rules, versions."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib import metadata
from pathlib import Path

from forensics.investigation import PACKAGES
from forensics.report.notebooks import notebook_path

_LEFT_OUT = frozenset({"__pycache__"})


@cache
def software_hash() -> str:
    """SHA-256 over every file of the package, the incident notebook, and the versions it stands on."""
    package = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256(f"python {platform.python_version()}\n".encode())
    for name in PACKAGES:
        digest.update(f"{name} {metadata.version(name)}\n".encode())
    for file in [*sorted(package.rglob("*")), notebook_path("incident")]:
        if file.is_file() and not _LEFT_OUT & set(file.parts):
            digest.update(f"{file.name}\0".encode())
            digest.update(hashlib.sha256(file.read_bytes()).digest())
    return digest.hexdigest()
