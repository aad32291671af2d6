"""What is written for the rules is what was counted on the half that judges, and can be read back."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

from forensics.rules.error_rate import error_rate_of
from forensics.stats.bounds import exact_lower
from forensics.study import measure
from forensics.study.rule_tables import write_rule_tables

from .made import FAST, SLOW, answers, case, machine

MADE = datetime(2031, 5, 1, 12, 0, tzinfo=UTC)
CHECK = measure.signs()["high-head"][0]


def written(folder: Path) -> tuple[Path, Path]:
    right = case("determined", "high-head", findings=[(CHECK, "present")])
    late = case("determined", "high-head", band=SLOW, findings=[(CHECK, "cannot-tell")])
    wrong = case("determined", "low-suction", findings=[(CHECK, "absent")])
    found = answers(
        *(machine(n, "high-head", cases=[right, late]) for n in range(70)),
        machine(70, "high-head", cases=[wrong]),
        machine(71, "high-head", cases=[wrong], half="A"),
    )
    return write_rule_tables(found, folder, made=MADE)


def test_the_rate_is_read_back_from_what_was_written(tmp_path: Path) -> None:
    verdicts, _ = written(tmp_path)
    cell = error_rate_of("probable", "slide", 1.0, table=verdicts)
    assert cell is not None
    assert (cell.right, cell.of) == (70, 71)
    assert "141 simulated cases, seed 9, version 0.0.1, 2031-05-01" in cell.study
    pooled = error_rate_of("probable", None, None, table=verdicts)
    assert pooled is not None
    assert (pooled.right, pooled.of) == (140, 141)
    assert pooled.low == exact_lower(140 / 141 * 71, 71) < exact_lower(140, 141)


def test_each_check_is_written_by_mode_and_band(tmp_path: Path) -> None:
    _, checks = written(tmp_path)
    rows = tomllib.loads(checks.read_text())["rate"]
    mine = {row["band"]: row for row in rows if row["check"] == CHECK and row["mode"] == "high-head"}
    assert (mine[FAST]["found"], mine[FAST]["found_of"], mine[FAST]["found_blind"]) == (70, 71, 0)
    assert (mine[SLOW]["found"], mine[SLOW]["found_of"], mine[SLOW]["found_blind"]) == (0, 0, 70)


def test_the_same_answers_give_the_same_bytes(tmp_path: Path) -> None:
    one, two = written(tmp_path / "a"), written(tmp_path / "b")
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]
