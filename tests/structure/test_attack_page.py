"""The page that lists each attack and its test names every test of the folder, and none that is not there."""

from __future__ import annotations

import re
from pathlib import Path


def test_every_hostile_test_is_on_the_page_and_no_other(root: Path) -> None:
    text = (root / "DEVELOPERS.md").read_text(encoding="utf-8")
    _, _, page = text.partition("## Threat model")
    rows = [line for line in page.splitlines() if line.startswith("|") and "`test_" in line]
    named = {name for row in rows for name in re.findall(r"`(test_[a-z_]+)`", row.rsplit("|", 2)[1])}
    there = {path.stem for path in (root / "tests" / "hostile").glob("test_*.py")}
    assert named == there
    assert len(rows) == len(there), "a row a test"
