"""Every row of the table of check values is named by a test or listed as not applicable with its reason, never both.

A row counts as tested where a test module names its id in a string of its code: in a ``parametrize``, a table, or the
docstring of a test. What the module's own docstring or a comment says counts for nothing.
"""

from __future__ import annotations

import ast
import tomllib
from functools import cache
from pathlib import Path

from check_values import AREAS, Row, missing, named

HERE = Path(__file__).resolve().parent
OWN = {Path(__file__).name, "check_values.py"}


def _strings(module: ast.Module) -> list[str]:
    """Strings of a module's code, its own docstring and those of classes left out."""
    owners = [module, *(node for node in ast.walk(module) if isinstance(node, ast.ClassDef))]
    first = [node.body[0] for node in owners if ast.get_docstring(node, clean=False) is not None]
    left_out = {id(node.value) for node in first if isinstance(node, ast.Expr)}
    return [
        node.value
        for node in ast.walk(module)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in left_out
    ]


@cache
def named_by_tests() -> dict[str, set[str]]:
    """Ids that test modules name, with the modules."""
    found: dict[str, set[str]] = {}
    for path in sorted(HERE.parent.rglob("test_*.py")):
        if path.name in OWN:
            continue
        for text in _strings(ast.parse(path.read_text(encoding="utf-8"))):
            for row_id in named(text):
                found.setdefault(row_id, set()).add(path.name)
    return found


@cache
def not_applicable() -> dict[str, str]:
    """Ids with the reason why no test stands for them."""
    listed = tomllib.loads((HERE / "not_applicable.toml").read_text(encoding="utf-8"))
    found: dict[str, str] = {}
    for area, reasons in listed.items():
        for rows, reason in reasons.items():
            for part in rows.split(","):
                for row_id in named(part):
                    assert row_id.startswith(area), row_id
                    assert row_id not in found, f"{row_id} is listed twice"
                    found[row_id] = reason
    return found


def test_every_row_is_tested_or_has_its_reason(rows: dict[str, Row]) -> None:
    assert {row.area for row in rows.values()} == set(AREAS)
    left = missing(rows, {*named_by_tests(), *not_applicable()})
    assert left == [], f"{len(left)} rows are neither tested nor listed: {', '.join(left)}"


def test_no_row_that_is_tested_is_listed_as_not_applicable() -> None:
    both = sorted(set(named_by_tests()) & set(not_applicable()))
    assert both == [], {row_id: sorted(named_by_tests()[row_id]) for row_id in both}


def test_every_id_that_is_named_is_a_row(rows: dict[str, Row]) -> None:
    assert missing({*named_by_tests(), *not_applicable()}, rows) == []


def test_every_reason_says_something() -> None:
    for row_id, reason in not_applicable().items():
        assert len(reason.split()) >= 4, row_id
