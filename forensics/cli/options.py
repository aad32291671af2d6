"""What the parsers of all commands share: options of every command, examples, and patterns of paths."""

from __future__ import annotations

import argparse
import glob
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from forensics.errors import InputError, Problem

Commands = Any  # argparse keeps the type of its subparsers private


class Parser(argparse.ArgumentParser):
    """A parser whose names can't be cut short, with examples that stand as they are."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**{"allow_abbrev": False, **given})


def command(commands: Commands, name: str, about: str, example: str) -> Parser:
    """Add a command: one line about it, an example, and the options that every command has."""
    made: Parser = commands.add_parser(
        name, help=about, description=f"{about[0].upper()}{about[1:]}.", epilog=f"example: {example}"
    )
    every = made.add_argument_group("options of every command")
    every.add_argument("--json", action="store_true", help="write one JSON document in place of text")
    words = every.add_mutually_exclusive_group()
    words.add_argument("-q", "--quiet", action="store_true", help="no notes and no progress")
    words.add_argument("-v", "--verbose", action="store_true", help="more words on the error stream")
    every.add_argument("--log", type=Path, default=None, metavar="FILE", help="add everything that is said to a log")
    return made


def matching(given: Iterable[str]) -> tuple[str, ...]:
    """Paths with patterns expanded, in the order of their names; for shells that leave patterns to the program.

    A path that is there is never taken for a pattern, and an address (``s3://…``) stays as it is.

    Raises
    ------
    InputError
        A pattern matches nothing: all of them at once.
    """
    found: list[str] = []
    problems = []
    for name in given:
        if "://" in name or Path(name).exists() or not glob.has_magic(name):
            found.append(name)
            continue
        matched = sorted(glob.glob(name, recursive=True))  # noqa: PTH207 - a pattern may be absolute
        if not matched:
            problems.append(Problem("no file matches this pattern", file=name, remedy="Check folder and ending."))
        found += matched
    if problems:
        raise InputError(problems)
    return tuple(dict.fromkeys(found))


def limits_of(given: Sequence[str]) -> dict[str, float]:
    """Limits from ``NAME=VALUE``; what can't be read so is all named at once.

    Raises
    ------
    InputError
        A text is not a name and a number, or a name comes twice.
    """
    limits: dict[str, float] = {}
    problems = []
    for text in given:
        name, equals, value = text.partition("=")
        try:
            number = float(value)
        except ValueError:
            equals = ""
            number = 0.0
        if not equals or not name.strip():
            remedy = "Write --limit NAME=VALUE, for example --limit starts.unloaded_ratio_max=0.45."
            problems.append(Problem(f"'{text}' is not a name and a number", column="--limit", remedy=remedy))
        elif name.strip() in limits:
            problems.append(Problem(f"limit '{name.strip()}' is given twice", column="--limit"))
        limits[name.strip()] = number
    if problems:
        raise InputError(problems)
    return limits
