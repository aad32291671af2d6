"""The rate that a report quotes: the closest cell with enough verdicts, and words that say which."""

from __future__ import annotations

from pathlib import Path

import pytest

from forensics.errors import InputError
from forensics.rules.error_rate import error_rate_of

TABLE = """
band = [{ name = "fast", longest_s = 2.0 }, { name = "slow" }]
rate = [
  { grade = "probable", capacity = "slide", band = "fast", right = 59, of = 60, machines = 60 },
  { grade = "probable", capacity = "steps", band = "fast", right = 20, of = 20, machines = 20 },
  { grade = "probable", capacity = "slide", band = "slow", right = 5, of = 5, machines = 5 },
  { grade = "probable", band = "fast", right = 79, of = 80, machines = 80 },
  { grade = "probable", band = "slow", right = 5, of = 5, machines = 5 },
  { grade = "probable", right = 84, of = 85, machines = 80 },
  { grade = "no-fault-found", right = 7, of = 9, machines = 9 },
]
[study]
cases = 900
machines = 300
seed = 4
half = "B"
version = "9.9"
date = "2031-05-01"
rules = "r"
code = "c"
"""


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "verdicts.toml"
    path.write_text(TABLE, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("build", "sampling_s", "of", "words"),
    [
        ("slide", 1.0, 60, "capacity by slide, sampling fast"),
        ("slide", 2.0, 60, "capacity by slide, sampling fast"),
        ("steps", 1.0, 80, "sampling fast, pooled over builds"),
        (None, 1.0, 80, "sampling fast, pooled over builds"),
        ("slide", 5.0, 85, "pooled over builds and samplings"),
        ("slide", None, 85, "pooled over builds and samplings"),
        (None, None, 85, "pooled over builds and samplings"),
    ],
)
def test_the_closest_cell_with_sixty_verdicts_is_quoted(
    table: Path, build: str | None, sampling_s: float | None, of: int, words: str
) -> None:
    found = error_rate_of("probable", build, sampling_s, table=table)
    assert found is not None
    assert found.of == of
    assert found.study.startswith(words + ";")
    assert "900 simulated cases, seed 4" in found.study


def test_the_bound_counts_machines(table: Path) -> None:
    found = error_rate_of("probable", None, None, table=table)
    assert found is not None
    assert (found.right, found.of) == (84, 85)
    assert 0.93 < found.low < 0.95  # 59 of 60 is bounded at 0.923, 84 of 85 cases of their own at 0.945


def test_a_pool_of_all_with_few_verdicts_is_quoted_with_its_low_bound(table: Path) -> None:
    found = error_rate_of("no-fault-found", "slide", 1.0, table=table)
    assert found is not None
    assert (found.right, found.of) == (7, 9)
    assert found.low < 0.46
    assert "Verdicts that no fault was found were right in 7 of 9 study cases (at least 45 %" in found.sentence
    assert "A simulated machine is not this machine" in found.sentence


@pytest.mark.parametrize("grade", ["confirmed", "possible", ""])
def test_grades_that_nothing_is_claimed_of_have_no_rate(table: Path, grade: str) -> None:
    assert error_rate_of(grade, "slide", 1.0, table=table) is None


def test_without_a_study_there_is_no_rate(tmp_path: Path) -> None:
    assert error_rate_of("probable", "slide", 1.0, table=tmp_path / "none.toml") is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("right = 59, of = 60", "right = 61, of = 60", "more right"),
        ('{ name = "slow" }', '{ name = "slow", longest_s = 9.0 }', "no longest interval"),
        ("seed = 4", "sead = 4", "sead"),
    ],
)
def test_a_table_that_contradicts_itself_is_refused(table: Path, old: str, new: str, words: str) -> None:
    table.write_text(TABLE.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=words):
        error_rate_of("probable", "slide", 1.0, table=table)
