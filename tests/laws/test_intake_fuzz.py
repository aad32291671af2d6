"""Mutated exports give a result or a clear question: never a traceback, a hang, or more than 1 GiB."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = Path(__file__).with_name("intake_fuzz.py")
ROOT = PROGRAM.parent.parent.parent


def run(seed: int, count: int) -> None:
    done = subprocess.run(
        [sys.executable, str(PROGRAM), str(seed), str(count)], capture_output=True, text=True, check=False, cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PATH": "", "MALLOC_ARENA_MAX": "2"},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]


def test_two_thousand_mutated_exports() -> None:
    run(20240615, 2000)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(9))
def test_eighteen_thousand_more(seed: int) -> None:
    run(seed, 2000)
