"""A copy of the package in which a chapter of the contributors' guide is followed from scratch."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.plant import copied

PATIENCE_S = 600.0


class House:
    """A copy of the package, its rules and its demonstration, and what is run in it."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.rules = root / "forensics" / "rules"
        self.cases = root / "data_demo" / "cases"

    def add(self, name: str, text: str) -> None:
        """Write a new file, or text at the end of one that is there."""
        path = self.root / name
        before = path.read_text(encoding="utf-8") if path.is_file() else ""
        path.write_text(before + text, encoding="utf-8")

    def change(self, name: str, old: str, new: str) -> None:
        """Replace what stands once in a file."""
        path = self.root / name
        text = path.read_text(encoding="utf-8")
        assert text.count(old) == 1, (name, old, text.count(old))
        path.write_text(text.replace(old, new), encoding="utf-8")

    def run(self, *words: str | Path) -> str:
        """Run Python in the copy with the tests of the clone at hand; what it printed."""
        environ = {**os.environ, "PYTHONPATH": os.pathsep.join((str(self.root), str(self.root / "tests" / "unit")))}
        done = subprocess.run(
            [sys.executable, "-B", *map(str, words)],
            cwd=self.root,
            env=environ,
            capture_output=True,
            text=True,
            check=False,
            timeout=PATIENCE_S,
        )
        assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-3000:]
        return done.stdout

    def forensics(self, *words: str | Path) -> str:
        """Run a command of the copy."""
        return self.run("-m", "forensics", *words)


@pytest.fixture
def house(tmp_path: Path) -> House:
    """A fresh copy."""
    return House(copied(tmp_path))
