"""What a build makes meaningless: checks that do not apply, modes that it can't have, signs that it voids, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from typing import Annotated, Protocol

from pydantic import ConfigDict, Field, RootModel, StrictBool

from forensics.errors import InputError, Problem
from forensics.rules.checks import read_checks
from forensics.rules.files import FOLDER
from forensics.rules.strict import Form, read_form, refused

FILE = "builds.toml"
Words = Annotated[str, Field(min_length=1)]


class Sign(Form):
    """A sign of a mode."""

    mode: Words
    check: Words


class BuildRule(Form):
    """One property of builds and what follows from it."""

    when: Mapping[str, StrictBool | tuple[Words, ...]] = Field(min_length=1)
    why: Words
    basis: Words
    checks: tuple[Words, ...] = ()
    modes: tuple[Words, ...] = ()
    voids: tuple[Sign, ...] = ()


class _Rules(RootModel[dict[str, BuildRule]]):
    model_config = ConfigDict(frozen=True)


class Asked(Protocol):
    """Something that tells a property of a build by name."""

    def says(self, name: str) -> object:
        """The value of a property; None where it is not known."""
        ...


@dataclass(frozen=True, slots=True)
class Meaningless:
    """What one build makes meaningless.

    Attributes
    ----------
    checks, modes
        Why a check does not apply, and why a mode is not possible, by id.
    voids
        Checks that say nothing of a mode, by mode.
    """

    checks: Mapping[str, str]
    modes: Mapping[str, str]
    voids: Mapping[str, frozenset[str]]


@cache
def read_build_rules() -> Mapping[str, BuildRule]:
    """The rules of ``builds.toml``.

    Raises
    ------
    InputError
        A rule names a check that is not in the catalogue, or does not keep to the form.
    """
    rules = read_form(_Rules, FOLDER / FILE).root
    known = read_checks()
    problems = [
        Problem(refused(check, known, "check"), file=FILE, column=name)
        for name, rule in rules.items()
        for check in (*rule.checks, *(sign.check for sign in rule.voids))
        if not any(fnmatchcase(one, check) for one in known)
    ]
    if problems:
        raise InputError(problems)
    return rules


def meaningless(build: Asked) -> Meaningless:
    """What does not apply to a build: the first rule that says so gives the reason."""
    checks: dict[str, str] = {}
    modes: dict[str, str] = {}
    voids: dict[str, set[str]] = {}
    for rule in read_build_rules().values():
        if not all(_holds(build.says(name), wanted) for name, wanted in rule.when.items()):
            continue
        for check in _ids(rule.checks, read_checks()):
            checks.setdefault(check, rule.why)
        for mode in rule.modes:
            modes.setdefault(mode, rule.why)
        for sign in rule.voids:
            voids.setdefault(sign.mode, set()).add(sign.check)
    return Meaningless(checks, modes, {mode: frozenset(found) for mode, found in voids.items()})


def _holds(value: object, wanted: bool | tuple[str, ...]) -> bool:  # noqa: FBT001 - a value of the rule, not an option
    return value is wanted if isinstance(wanted, bool) else value in wanted


def _ids(patterns: Iterable[str], known: Iterable[str]) -> list[str]:
    return [check for check in known if any(fnmatchcase(check, pattern) for pattern in patterns)]
