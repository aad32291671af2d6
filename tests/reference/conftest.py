"""The rows of the shared table of check values; tests that need one are skipped, saying so, where it is absent."""

from __future__ import annotations

from pathlib import Path

import pytest
from check_values import Row, read_rows


@pytest.fixture(scope="session")
def rows(shared: Path) -> dict[str, Row]:
    """Rows by id."""
    return read_rows(shared / "standards" / "check_values.csv")
