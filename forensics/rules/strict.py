"""Strict forms of the rule files: every key and every word is known, and every fault of a file is told at once."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from forensics.errors import InputError, Problem
from forensics.rules import read_toml


class Form(BaseModel):
    """A table of a rule file: unknown keys are refused, nothing changes once it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


FormT = TypeVar("FormT", bound=BaseModel)


def read_form(form: type[FormT], path: Path) -> FormT:
    """Read a rule file into its form.

    Raises
    ------
    InputError
        It can't be read, or some key or value does not belong there: all faults at once, each with its key.
    """
    table = read_toml(path)
    try:
        return form.model_validate(table)
    except ValidationError as fault:
        raise InputError(form_problems(fault, path.name, form)) from None


def form_problems(fault: ValidationError, file: str, form: type[BaseModel]) -> list[Problem]:
    """What is wrong with a rule file, key by key, with the nearest key that is known."""
    return [
        Problem(
            f"unknown key '{error['loc'][-1]}'"
            if error["type"] == "extra_forbidden"
            else error["msg"].removeprefix("Value error, "),
            file=file,
            column=".".join(str(part) for part in error["loc"]),
            remedy=_known_keys(form, error["loc"]) if error["type"] == "extra_forbidden" else "",
        )
        for error in fault.errors()
    ]


def refused(word: str, known: Iterable[str], what: str) -> str:
    """Words for a word that is not known: the nearest one, and all that are."""
    listed = list(known)
    near = difflib.get_close_matches(word, listed, n=1)
    hint = f" (did you mean '{near[0]}'?)" if near else ""
    return f"'{word}' is no {what}{hint}; known: {', '.join(listed)}"


def _known_keys(form: type[BaseModel], place: tuple[int | str, ...]) -> str:
    inner: type[BaseModel] | None = form
    for part in place[:-1]:
        field = None if inner is None else _by_key(inner).get(str(part))
        inner = field if isinstance(field, type) and issubclass(field, BaseModel) else None
    return "" if inner is None else f"Known keys here: {', '.join(_by_key(inner))}."


def _by_key(form: type[BaseModel]) -> Mapping[str, object]:
    return {field.alias or name: field.annotation for name, field in form.model_fields.items()}
