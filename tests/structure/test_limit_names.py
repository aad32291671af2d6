"""Names of limits are typed: the checker refuses one that no rule file has, shortly."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from forensics.rules import FOLDER, read_limits
from structure.limit_names import limit_names

RIGHT = """\
from typing import Final
from forensics.rules import read_limits
from forensics.signatures.core.finding import Value
LEVEL: Final = "oil.level_low"
limits = read_limits()
limits["oil.level_low"]
limits.count("clocks.decay_samples")
limits[LEVEL]
Value.exact(1.0, "1", "oil.level_low")
Value(limit_name=LEVEL)
Value(limit_name="oil.level_low" if limits else "clocks.decay_samples")
"""


def _checked(root: Path, folder: Path, code: str) -> list[str]:
    """What the type checker says of a module, with the settings of the project."""
    # a name of its own: the checker takes a file of the same size and second for the one it knows
    asks = folder / f"asks_{sum(1 for _ in folder.iterdir())}.py"
    asks.write_text(code, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--config-file", str(root / "pyproject.toml"), str(asks)],
        cwd=root,
        capture_output=True,
        text=True,
        check=False,
    )
    return [line for line in done.stdout.splitlines() if asks.name in line]


def test_the_checker_reads_the_names_that_the_rules_have() -> None:
    assert limit_names(FOLDER) == frozenset(read_limits())


def test_a_misspelled_limit_is_refused_wherever_it_is_named(root: Path, tmp_path: Path) -> None:
    assert _checked(root, tmp_path, RIGHT) == []
    said = _checked(root, tmp_path, RIGHT.replace("oil.level_low", "oil.levle_low").replace("decay_s", "decay_z"))
    assert [int(line.split(":")[1]) for line in said] == [6, 7, 8, 9, 10, 11, 11]
    assert all("No limit is called" in line for line in said)
    assert all("nearest: oil.level_low" in line for line in said if "levle" in line)
    assert max(len(line) for line in said) < 250
    loose = _checked(root, tmp_path, RIGHT.replace("LEVEL: Final = ", "LEVEL = "))
    assert [int(line.split(":")[1]) for line in loose] == [8, 10]
    assert all("it is Final" in line for line in loose)
