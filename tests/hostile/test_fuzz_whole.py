"""Broken cases through reading, judging and writing: no fault, nothing slow, nothing unaccounted, readable findings."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

RUNS, RUNS_AT_A_TIME = 2_000, 500


def _fuzz(root: Path, seed: int, count: int, *more: Path) -> dict[str, float]:
    command = [
        sys.executable,
        str(root / "tests" / "hostile" / "fuzz_whole.py"),
        str(seed),
        str(count),
        *(str(folder) for folder in more),
    ]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, timeout=3_600, check=False)
    print(done.stdout)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]
    counts: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return counts


def test_broken_cases_are_answered(root: Path) -> None:
    counts = _fuzz(root, 2031, 200)
    assert counts["runs"] == 200
    assert counts["failures"] == 0
    assert counts["longest_s"] < 10


@pytest.mark.slow
@pytest.mark.parametrize("part", range(RUNS // RUNS_AT_A_TIME))
def test_two_thousand_broken_cases_are_answered(root: Path, part: int) -> None:
    assert _fuzz(root, 4_000 + part, RUNS_AT_A_TIME)["failures"] == 0


@pytest.mark.slow
def test_broken_incidents_are_answered(root: Path, shared: Path) -> None:
    assert _fuzz(root, 5_000, RUNS_AT_A_TIME, shared / "incidents" / "cases")["failures"] == 0
