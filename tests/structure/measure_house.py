"""Print the size and shape of the package, and fail where it is worse than its ceilings.

Run ``python tests/structure/measure_house.py``. Modules, lines, statements (from the syntax tree, docstrings aside),
circles of imports between modules, rooms (folders, and files on the root), floors (the longest chain of rooms), files
on the root, modules over 300 lines. Ceilings only ever fall; a commit that must raise one says why.
"""

from __future__ import annotations

import ast
import sys
import tomllib
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CEILINGS = Path(__file__).with_name("house_ceilings.toml")


def modules_of(package: Path) -> dict[str, Path]:
    """Every module of a package by its dotted name."""
    return {
        ".".join(path.relative_to(package.parent).with_suffix("").parts).removesuffix(".__init__"): path
        for path in sorted(package.rglob("*.py"))
    }


def statements_in(tree: ast.AST) -> int:
    """Statements of a module; docstrings are none."""
    return sum(
        isinstance(node, ast.stmt) and not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
        for node in ast.walk(tree)
    )


def imports_of(trees: dict[str, ast.AST]) -> dict[str, set[str]]:
    """Modules that each module imports, lazily or not."""
    arrows: dict[str, set[str]] = defaultdict(set)
    for name, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module in trees:
                full = {f"{node.module}.{alias.name}" for alias in node.names}
                arrows[name] |= (full & set(trees)) or {node.module}
            elif isinstance(node, ast.ImportFrom) and node.module and f"{node.module}" not in trees:
                continue
            elif isinstance(node, ast.Import):
                arrows[name] |= {alias.name for alias in node.names} & set(trees)
        arrows[name].discard(name)
    return arrows


def circles_of(arrows: dict[str, set[str]]) -> list[list[str]]:
    """Circles of imports: groups of modules each of which reaches every other."""
    reached: dict[str, set[str]] = {}
    for start in arrows:
        seen: set[str] = set()
        todo = list(arrows[start])
        while todo:
            name = todo.pop()
            if name not in seen:
                seen.add(name)
                todo.extend(arrows.get(name, ()))
        reached[start] = seen
    groups = {frozenset(n for n in reached[m] if m in reached.get(n, ())) for m in reached if m in reached[m]}
    return [sorted(group) for group in groups]


def rooms_of(arrows: dict[str, set[str]]) -> dict[str, set[str]]:
    """Rooms that each room imports: folders of the package and files on its root."""
    rooms: dict[str, set[str]] = defaultdict(set)
    for name, others in arrows.items():
        room = ".".join(name.split(".")[:2])
        rooms[room] |= {".".join(other.split(".")[:2]) for other in others} - {room, "forensics"}
        for other in rooms[room].copy():
            rooms.setdefault(other, set())
    for door in ("forensics", "forensics.__main__"):
        rooms.pop(door, None)
    return dict(rooms)


def floors_of(rooms: dict[str, set[str]]) -> int:
    """Length of the longest chain of rooms that import each other downwards."""
    height: dict[str, int] = {}

    def of(room: str, above: tuple[str, ...] = ()) -> int:
        if room in above:
            raise ValueError(f"rooms import each other in a circle: {' -> '.join((*above, room))}")
        if room not in height:
            height[room] = 1 + max((of(other, (*above, room)) for other in rooms.get(room, ())), default=0)
        return height[room]

    return max(of(room) for room in rooms)


def measured(root: Path = ROOT) -> dict[str, int]:
    """The figures of the package by name."""
    modules = modules_of(root / "forensics")
    texts = {name: path.read_text(encoding="utf-8") for name, path in modules.items()}
    trees: dict[str, ast.AST] = {name: ast.parse(text) for name, text in texts.items()}
    arrows = imports_of(trees)
    rooms = rooms_of(arrows)
    return {
        "modules": len(modules),
        "lines": sum(text.count("\n") for text in texts.values()),
        "statements": sum(statements_in(tree) for tree in trees.values()),
        "circles": len(circles_of(arrows)),
        "rooms": len(rooms),
        "floors": floors_of(rooms),
        "root_files": len(list((root / "forensics").glob("*.py"))),
        "largest_flat_folder": max(
            len(list(folder.glob("*.py"))) for folder in (root / "forensics").rglob("*") if folder.is_dir()
        ),
        "modules_over_300_lines": sum(text.count("\n") > 300 for text in texts.values()),
    }


def worse(figures: dict[str, int], ceilings: dict[str, int]) -> list[str]:
    """What lies above its ceiling, in words."""
    return [
        f"{name}: {figures[name]} where at most {most} stands"
        for name, most in ceilings.items()
        if figures[name] > most
    ]


def main() -> int:
    """Print the figures; 1 where one is worse than its ceiling."""
    figures = measured()
    ceilings = tomllib.loads(CEILINGS.read_text(encoding="utf-8"))
    for name, value in figures.items():
        print(f"{name:24} {value:7}   at most {ceilings.get(name, '-')}")
    faults = worse(figures, ceilings)
    print("\n".join(faults) or "no figure is worse than its ceiling")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
