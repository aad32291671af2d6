"""Fixtures that every test may use."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from forensics.report import RunResult

# Before numpy is loaded: sums over matrices come in the order of their threads; kept findings hold their last digits.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

MADE = datetime(2031, 6, 1, 12, 0, tzinfo=UTC)

# No deadline: how long one example takes depends on the machine and on what else runs on it; speed is measured in
# tests/bench.
settings.register_profile("workbook", deadline=None)
settings.load_profile("workbook")

ROOT = Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared"


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of the shared reference material; the test is skipped, saying so, where it is absent."""
    if not SHARED.is_dir():
        pytest.skip("the shared reference folder (../shared) is not here")
    return SHARED


@pytest.fixture(scope="session")
def root() -> Path:
    """Root of the project."""
    return ROOT


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """The demonstration case, run once with its tables and looked at by many tests."""
    from forensics.demo import DEMO_CASES
    from forensics.report import run_report

    folder = tmp_path_factory.mktemp("finished")
    case = folder / "case"
    shutil.copytree(DEMO_CASES["loaded-starts"].parent, case)
    return run_report(case / "case.toml", folder / "out", tables=True, now=lambda: MADE)
