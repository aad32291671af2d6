"""Fixtures that every test may use."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

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
