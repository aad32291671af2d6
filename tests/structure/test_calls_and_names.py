"""What one module may take of another: public names only, errors from the one tree, long calls by name."""

from __future__ import annotations

import ast
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

MOST_POSITIONAL = 6
ABROAD = {"struct.pack"}  # of the standard library, where the count is that of a format


@pytest.fixture(scope="module")
def trees(root: Path) -> dict[str, ast.Module]:
    listed = subprocess.run(["git", "ls-files", "-z", "*.py"], cwd=root, capture_output=True, check=False).stdout
    names = [name for name in listed.decode().split("\0") if name and (root / name).is_file()]
    if not names:
        pytest.skip("not a git checkout")
    return {name: ast.parse((root / name).read_text(encoding="utf-8")) for name in names}


def _private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__") and not name.endswith("_")


def private_imports(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Names with an underscore that a module takes of another module, by import or as an attribute of it."""
    modules: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            ours = bool(node.level) or (node.module or "").split(".")[0] in ("forensics", "tests")
            modules |= {alias.asname or alias.name for alias in node.names} if ours else set()
            yield from ((node.lineno, alias.name) for alias in node.names if ours and _private(alias.name))
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and _private(node.attr) and ast.unparse(node.value) in modules:
            yield node.lineno, ast.unparse(node)


def long_calls(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Calls that give seven arguments or more by their place alone."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and len(node.args) > MOST_POSITIONAL:
            what = ast.unparse(node.func)
            if what not in ABROAD and not any(isinstance(arg, ast.Starred) for arg in node.args):
                yield node.lineno, what


def test_no_module_takes_a_private_name_of_another(trees: dict[str, ast.Module]) -> None:
    found = [f"{name}:{line} {what}" for name, tree in trees.items() for line, what in private_imports(tree)]
    assert not found, "\n".join(found)


def test_calls_of_seven_arguments_name_them(trees: dict[str, ast.Module]) -> None:
    found = [f"{name}:{line} {what}" for name, tree in trees.items() for line, what in long_calls(tree)]
    assert not found, "\n".join(found)


def test_every_exception_of_the_package_stands_in_its_tree(trees: dict[str, ast.Module]) -> None:
    drawn = ast.get_docstring(trees["forensics/errors.py"]) or ""
    for name, tree in trees.items():
        if not name.startswith("forensics/"):
            continue
        for node in ast.walk(tree):
            if not isinstance(node, ast.ClassDef):
                continue
            bases = {ast.unparse(base) for base in node.bases}
            if any(base.endswith(("Error", "Exception", "Stopped", "Refused")) for base in bases):
                assert name == "forensics/errors.py", f"{name}: {node.name}"
                assert f"{node.name} " in drawn or node.name == "ForensicsError", node.name


def test_the_guards_see_what_they_are_for() -> None:
    bad = ast.parse("from forensics.rules import _x\nfrom forensics.clocks import lag\nlag._y\nf(1, 2, 3, 4, 5, 6, 7)")
    assert [what for _, what in private_imports(bad)] == ["_x", "lag._y"]
    assert [what for _, what in long_calls(bad)] == ["f"]
    assert not list(long_calls(ast.parse("f(1, 2, 3, 4, 5, 6, seven=7)\nf(*all_of_them)")))
