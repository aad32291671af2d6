"""Demonstration data: a seeded generator of an invented machine, and three cases made with it.

`DEMO_CASES` names the committed cases; `data_demo.scenarios` simulates, `data_demo.exports` writes.
"""

from pathlib import Path

_CASES = Path(__file__).resolve().parent / "cases"
DEMO_CASES: dict[str, Path] = {
    name: _CASES / name / "case.toml" for name in ("loaded-starts", "healthy", "cannot-tell")
}

__all__ = ["DEMO_CASES"]
