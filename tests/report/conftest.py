"""What tests of a finished report look at."""

from __future__ import annotations

from pathlib import Path

import pytest

from forensics.report import RunResult


@pytest.fixture
def page(finished: RunResult) -> str:
    """Text of the finished page."""
    return finished.report.read_text(encoding="utf-8")


@pytest.fixture
def demo_case(finished: RunResult) -> Path:
    """The case file that the finished report was made from."""
    return finished.out.parent / "case" / "case.toml"
