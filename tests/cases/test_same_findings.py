"""The demo cases say what they said, value for value; and the comparison that says so can fail."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

import same_findings as same
from forensics.demo import DEMO_CASES


@pytest.mark.parametrize("name", sorted(DEMO_CASES))
def test_a_demo_case_says_what_was_kept_of_it(name: str) -> None:
    """A change that is meant renews the kept copy: ``python -m tests.same_findings --keep demo``."""
    assert same.faults_of(f"demo/{name}", same.findings_of(DEMO_CASES[name]), same.read_hashes()) == []


@pytest.fixture
def kept() -> dict[str, Any]:
    return same.read_values(same.kept_values("demo/cannot-tell"))


def test_a_value_that_changed_is_named_with_both_values(kept: dict[str, Any]) -> None:
    changed = deepcopy(kept)
    changed["case"]["revision"] = 2
    finding = changed["findings"][0]
    finding["statement"] = "Other words."
    told = same.faults_of("demo/cannot-tell", changed, same.read_hashes())
    assert told[0] == "demo/cannot-tell: case.revision: 1 -> 2"
    assert told[1].startswith(f"demo/cannot-tell: findings[{finding['id']}].statement: ")
    assert len(told) == 2


def test_keys_in_another_order_are_no_equal_bytes(kept: dict[str, Any]) -> None:
    turned = dict(reversed(list(kept.items())))
    assert same.faults_of("demo/cannot-tell", turned, same.read_hashes()) == [
        "demo/cannot-tell: the order of keys differs"
    ]


def test_a_whole_number_in_place_of_a_decimal_one_is_named() -> None:
    assert list(same.differences({"a": 1.0, "b": [1]}, {"a": 1, "b": [1, 2]})) == ["a: 1.0 -> 1", "b: [1] -> [1, 2]"]


def test_the_program_may_change_and_nothing_else_is_left_out() -> None:
    from forensics.results.schema import FindingsFile

    fields = {field.alias or name for name, field in FindingsFile.model_fields.items()}
    assert set(same.read_values(same.kept_values("demo/healthy"))) == fields - {"software"}


def test_values_of_two_trees_are_compared(tmp_path: Path, kept: dict[str, Any]) -> None:
    same.write_values(kept, tmp_path / "demo" / "cannot-tell.json.gz")
    assert same.compare(tmp_path, {"demo/cannot-tell": kept}) == []
    assert same.compare(tmp_path, {"demo/cannot-tell": {**kept, "assumptions": []}}) != []


def test_a_comparison_of_nothing_fails() -> None:
    assert same.main(["--check", "no-such-set"]) == 1
