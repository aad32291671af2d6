"""Plant faults one by one in a copy of the project and show that a test in the room catches each.

``python -m tests.plant`` (all, some minutes), ``python -m tests.plant NAME ...`` (some), ``--list``. A fault is placed
by the id of a limit, the name of a field or the name of a function, wherever in the package that stands, and its tests
by the name of their file; one that finds no place fails, so that no guard is lost in a move. The exit code is 1 where
a fault survives or finds no place.
"""

from __future__ import annotations

import argparse
import ast
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = "forensics"
COPIED = (PACKAGE, "data_demo", "tests", "notebooks", "pyproject.toml", "README.md", "DEVELOPERS.md")
PATIENCE_S = 300.0


class NoPlaceError(Exception):
    """The place of a fault is not there, or there is more than one."""


Found = TypeVar("Found")
Change = tuple[Path, str]
Place = Callable[[Path], Change]
"""Given the root of a copy: the file to change and its new text."""


@dataclass(frozen=True)
class Plant:
    """One fault: its name, how it is placed, and the test files of the room that must catch it."""

    name: str
    place: Place
    tests: tuple[str, ...]


def limit(name: str, factor: float) -> Place:
    """Multiply the value of a limit, found by its id."""
    family, _, short = name.partition(".")

    def place(root: Path) -> Change:
        path = _one([p for p in (root / PACKAGE).rglob(f"{family}.toml") if p.parent.name == "limits"], name)
        text = path.read_text(encoding="utf-8")
        table = re.compile(rf"(^\[{re.escape(short)}\]\n(?:[^\[]*?\n)?value = )([-0-9.e]+)", re.MULTILINE)
        hits = table.findall(text)
        _one(hits, name)
        return path, table.sub(lambda m: f"{m[1]}{float(m[2]) * factor:g}", text)

    return place


def function(name: str, old: str, new: str, *, within: str = "") -> Place:
    """Replace a pattern that stands once in a function (or method, of the class ``within``), found by its name."""

    def place(root: Path) -> Change:
        found = []
        for path in sorted((root / PACKAGE).rglob("*.py")):
            text = path.read_text(encoding="utf-8")
            if f"def {name}(" not in text:
                continue
            for node, owner in _functions(ast.parse(text)):
                if node.name == name and (not within or owner == within):
                    found.append((path, text, _span(text, node)))
        matching = [(path, text, span) for path, text, span in found if re.search(old, text[span[0] : span[1]])]
        path, text, (begin, end) = _one(matching, f"function {name} with {old}")
        changed, hits = re.subn(old, new, text[begin:end])
        if hits != 1:
            raise NoPlaceError(f"function {name}: {old} stands {hits} times in it")
        return path, text[:begin] + changed + text[end:]

    return place


def field(row: str, changes: dict[str, str]) -> Place:
    """Replace what is given for fields where a row of the findings file is made; both are found by their names."""

    def place(root: Path) -> Change:
        found = []
        for path in sorted((root / PACKAGE).rglob("*.py")):
            text = path.read_text(encoding="utf-8")
            if f"{row}(" not in text:
                continue
            calls = [
                node
                for node in ast.walk(ast.parse(text))
                if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) == row
            ]
            found += [(path, text, call) for call in calls if set(changes) <= {k.arg for k in call.keywords}]
        path, text, call = _one(found, f"{row} with {', '.join(changes)}")
        lines = text.splitlines(keepends=True)
        for keyword in sorted(call.keywords, key=lambda k: -k.value.lineno):
            if keyword.arg in changes:
                at, until = keyword.value.lineno - 1, keyword.value.end_lineno
                if until != at + 1:
                    raise NoPlaceError(f"{row}.{keyword.arg} is given over several lines")
                line, value = lines[at], keyword.value
                lines[at] = f"{line[: value.col_offset]}{changes[keyword.arg]}{line[value.end_col_offset :]}"
        return path, "".join(lines)

    return place


def constant(name: str, old: str, new: str) -> Place:
    """Replace the number of a constant of a module, found by its name."""

    def place(root: Path) -> Change:
        line = re.compile(rf"^{re.escape(name)} = {re.escape(old)}$", re.MULTILINE)
        texts = [(path, path.read_text(encoding="utf-8")) for path in sorted((root / PACKAGE).rglob("*.py"))]
        path, text = _one([(path, text) for path, text in texts if line.search(text)], f"{name} = {old}")
        return path, line.sub(f"{name} = {new}", text)

    return place


def _one(found: Sequence[Found], what: str) -> Found:
    if len(found) != 1:
        raise NoPlaceError(f"{what}: {len(found)} places, one is needed")
    return found[0]


def _functions(tree: ast.Module) -> list[tuple[ast.FunctionDef, str]]:
    out = []
    for node in ast.walk(tree):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef):
                out.append((child, node.name if isinstance(node, ast.ClassDef) else ""))
    return out


def _span(text: str, node: ast.FunctionDef) -> tuple[int, int]:
    lines = text.splitlines(keepends=True)
    begin = sum(len(line) for line in lines[: node.lineno - 1])
    return begin, begin + sum(len(line) for line in lines[node.lineno - 1 : node.end_lineno])


_OTHER_END = 'getattr(result, "low" if name == "high" else name)'
PUBLISHED, LIMITS, EDGES = ("test_published_fields.py",), ("test_limits.py",), ("test_boundaries.py",)
TURNS, READINGS = ("test_turns.py",), ("test_readings_against_limits.py",)
COMPARISON = ("test_comparison.py",)
PLANTS = (
    Plant("a limit raised by a fifth", limit("oil.difference_low", 1.2), LIMITS),
    Plant("a limit lowered by a fifth", limit("slide.drift_per_min", 0.8), LIMITS),
    Plant("the factor of what is near a limit", limit("oil.difference_near", 1.2), LIMITS),
    Plant(
        "a limit raised by a fifth where it is compared",
        function("difference_low_at_failure", r"PRESENT if value < limit\b", "PRESENT if value < 1.2 * limit"),
        TURNS,
    ),
    Plant(
        "a shared comparison with a limit raised by a fifth",
        function("against_limit", r"= subject\.limits\[look\.limit_name\]", "= 1.2 * subject.limits[look.limit_name]"),
        READINGS,
    ),
    Plant("the share of amps that is a loaded stop", limit("starts.stopped_loaded_amps", 1.2), EDGES),
    Plant(
        "the age of a slide reading",
        constant("_LOOK_BACK_S", "600.0", "60.0"),
        EDGES,
    ),
    Plant("less than in place of at most", function("three_way", r"high <= limit", "high < limit"), COMPARISON),
    Plant("more than in place of at least", function("three_way", r"low >= limit", "low > limit"), COMPARISON),
    Plant("at least in place of more than", function("three_way", r"low > limit", "low >= limit"), COMPARISON),
    Plant(
        "one row too many cited of a frame",
        function("cite", r"int\(rows\.max\(\)\)", "int(rows.max()) + 1"),
        EDGES,
    ),
    Plant(
        "one row too many cited of a span",
        function("rows_of", r"int\(chosen\.max\(\)\)", "int(chosen.max()) + 1"),
        ("test_answer.py",),
    ),
    Plant(
        "the sign of the half width of a stop in the time to 1/e",
        function("equalisation", r"\+ wide_s / 2\.0", "- wide_s / 2.0"),
        EDGES,
    ),
    Plant("high published as low", function("row_of", r"getattr\(result, name\)", _OTHER_END), PUBLISHED),
    Plant(
        "before and after of an event swapped",
        function("_event", r"to=_WORDS\[event\.to\]\)", "to=_WORDS[event.to], before=event.after, after=event.before)"),
        PUBLISHED,
    ),
    Plant(
        "reasons of rows set aside not published",
        function("_source", r"bytes=exhibit\.size\)", "bytes=exhibit.size, set_aside={})"),
        PUBLISHED,
    ),
    Plant(
        "low and high of a stop's number swapped",
        function("_stop", r"bounds\.low, bounds\.high", "bounds.high, bounds.low"),
        PUBLISHED,
    ),
    Plant(
        "the reason of a row set aside not counted",
        function("_account", r"Counter\(row\.reason for row in own\)", 'Counter("" for row in own)'),
        ("test_kinds.py", "test_messy_values.py"),
    ),
    Plant(
        "the reason of a row set aside not listed",
        function("write_set_aside", r"row\.row, row\.reason, text", 'row.row, "", text'),
        ("test_kinds.py",),
    ),
    Plant(
        "row numbers of the quick lane one too high",
        function("_fast", r"np\.arange\(self\.base \+ first_line, ", "np.arange(self.base + first_line + 1, 1 + "),
        ("test_intake_lanes.py",),
    ),
    Plant(
        "row numbers of the careful lane one too high",
        function("_flush", r"np\.array\(\[self\.base \+ record\.line for", "np.array([self.base + record.line + 1 for"),
        ("test_intake_lanes.py",),
    ),
    Plant(
        "row numbers of a workbook one too high",
        function("_table", r"row=kept \+ 1\b", "row=kept + 2"),
        ("test_workbooks.py",),
    ),
)


def test_files(root: Path, names: Sequence[str]) -> list[str]:
    """Test files by their names, wherever they stand."""
    return [str(_one(list((root / "tests").rglob(name)), f"test file {name}").relative_to(root)) for name in names]


def copied(into: Path) -> Path:
    """A copy of what the tests need."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, into / name, ignore=shutil.ignore_patterns("__pycache__", ".*"))
        elif source.is_file():
            shutil.copy(source, into / name)
    return into


def passes(root: Path, names: Sequence[str]) -> bool:
    """Whether test files pass in a copy; anything but failed or passed tests is an error."""
    words = [sys.executable, "-B", "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *test_files(root, names)]
    environ = {**os.environ, "PYTHONPATH": str(root)}
    done = subprocess.run(words, cwd=root, env=environ, capture_output=True, text=True, check=False, timeout=PATIENCE_S)
    if done.returncode not in (0, 1):
        raise RuntimeError(f"pytest ended with {done.returncode}:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.returncode == 0


def outcome_of(plant: Plant, root: Path) -> str:
    """``caught``, ``survived`` or why the fault has no place."""
    try:
        path, changed = plant.place(root)
        test_files(root, plant.tests)
    except NoPlaceError as fault:
        return f"no place: {fault}"
    kept = path.read_text(encoding="utf-8")
    if changed == kept:
        return "no place: the fault changes nothing"
    path.write_text(changed, encoding="utf-8")
    try:
        ast.parse(changed) if path.suffix == ".py" else None
        return "survived" if passes(root, plant.tests) else "caught"
    finally:
        path.write_text(kept, encoding="utf-8")


def main(words: Sequence[str] | None = None) -> int:
    """Plant and tell; 1 where one was not caught."""
    parser = argparse.ArgumentParser(prog="python -m tests.plant", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("names", nargs="*", help="parts of the names of faults; all if none")
    parser.add_argument("--list", action="store_true", help="name the faults and their places, plant none")
    given = parser.parse_args(words)
    chosen = [p for p in PLANTS if not given.names or any(name in p.name for name in given.names)]
    with tempfile.TemporaryDirectory() as folder:
        root = copied(Path(folder) / "project") if not given.list else ROOT
        if given.list:
            told = {plant.name: _where(plant, root) for plant in chosen}
        else:
            rooms = sorted({name for plant in chosen for name in plant.tests})
            if not passes(root, rooms):
                print("the tests fail before anything is planted", file=sys.stderr)
                return 1
            told = {}
            for plant in chosen:
                begun = time.monotonic()
                told[plant.name] = outcome_of(plant, root)
                print(f"{told[plant.name]:<9} {plant.name} ({time.monotonic() - begun:.0f} s)", flush=True)
    if given.list:
        print("\n".join(f"{name}: {where}" for name, where in told.items()))
    bad = [name for name, outcome in told.items() if outcome.startswith(("survived", "no place"))]
    print(f"{len(told) - len(bad)} of {len(told)} faults {'have a place' if given.list else 'caught'}")
    return 1 if bad or not told else 0


def _where(plant: Plant, root: Path) -> str:
    try:
        path, _ = plant.place(root)
        return f"{path.relative_to(root).as_posix()}; {', '.join(test_files(root, plant.tests))}"
    except NoPlaceError as fault:
        return f"no place: {fault}"


if __name__ == "__main__":
    sys.exit(main())
