"""The cautions that every report prints, with their sources."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources


@cache
def cautions() -> tuple[str, tuple[tuple[str, str, str], ...]]:
    """The first caution; and every other in short, in full, and with its source."""
    text = resources.files("forensics.report.words").joinpath("cautions.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    return str(data["first"]), tuple((row["short"], row["text"], row["source"]) for row in data["caution"])
