"""Demonstration data: a seeded generator of an invented machine, and the cases made with it.

The modules and cases lie in `data_demo/` at the top of the repository, and inside this package in a wheel: one import
name in both. `DEMO_CASES` names the committed cases; `scenarios` simulates, `exports` writes.
"""

from pathlib import Path

_HERE = Path(__file__).resolve().parent
_CLONE = _HERE.parent.parent / "data_demo"
FOLDER = _CLONE if (_CLONE / "cases").is_dir() else _HERE
if FOLDER is not _HERE:
    __path__.append(str(FOLDER))
DEMO_CASES: dict[str, Path] = {
    name: FOLDER / "cases" / name / "case.toml" for name in ("loaded-starts", "healthy", "cannot-tell")
}

__all__ = ["DEMO_CASES"]
