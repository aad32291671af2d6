"""One finished report of the demonstration case, made once and looked at by many tests."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from forensics.demo import DEMO_CASES
from forensics.report import RunResult, run_report

MADE = datetime(2031, 6, 1, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """The demonstration case, run once with its tables."""
    folder = tmp_path_factory.mktemp("finished")
    case = folder / "case"
    shutil.copytree(DEMO_CASES["loaded-starts"].parent, case)
    return run_report(case / "case.toml", folder / "out", tables=True, now=lambda: MADE)


@pytest.fixture
def page(finished: RunResult) -> str:
    """Text of the finished page."""
    return finished.report.read_text(encoding="utf-8")


@pytest.fixture
def demo_case(finished: RunResult) -> Path:
    """The case file that the finished report was made from."""
    return finished.out.parent / "case" / "case.toml"
