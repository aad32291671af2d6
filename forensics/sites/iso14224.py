"""Codes of ISO 14224 for the modes of the workbook: failure mode, mechanism and cause, kept apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from forensics.errors import InputError, Problem
from forensics.model.vocabulary import Mode, known_modes
from forensics.rules import FOLDER
from forensics.rules.strict import Form, read_form

FILE = "iso14224.toml"


@dataclass(frozen=True, slots=True)
class Coding:
    """How one mode is coded; mechanism and cause in words."""

    code: str
    failure_mode: str
    mechanism: str
    cause: str


class _Row(Form):
    code: str
    mechanism: str
    cause: str


class _File(Form):
    """``rules/iso14224.toml``."""

    source: str
    codes: Mapping[str, str]
    mechanisms: Mapping[str, str]
    causes: Mapping[str, str]
    mode: Mapping[str, _Row]


NOT_CODED = Coding("UNK", "unknown", "not told by the data alone", "not told by the data alone")
"""Coding of a mode that was added as a file of its own: nobody has coded it."""


@cache
def read_coding() -> tuple[dict[str, Coding], str]:
    """Coding by mode, and where it comes from.

    Raises
    ------
    InputError
        A mode has no coding, or one that is not in the lists: all at once.
    """
    data = read_form(_File, FOLDER / FILE)
    problems, found = [], {}
    for mode in known_modes():
        row = data.mode.get(mode.value)
        if mode is Mode.NONE or (row is None and mode not in set(Mode)):
            continue
        if row is None:
            problems.append(Problem("this mode has no coding", file=FILE, column=mode.value))
            continue
        wrong = [
            key
            for key, word, among in (
                ("code", row.code, data.codes),
                ("mechanism", row.mechanism, data.mechanisms),
                ("cause", row.cause, data.causes),
            )
            if word not in among
        ]
        if wrong:
            problems.append(Problem(f"not in the lists: {', '.join(wrong)}", file=FILE, column=mode.value))
            continue
        mechanism = data.mechanisms[row.mechanism]
        number = "" if row.mechanism == "not told" else f"{row.mechanism} "
        found[mode.value] = Coding(row.code, data.codes[row.code], f"{number}{mechanism}", data.causes[row.cause])
    unknown = sorted(set(data.mode) - set(found) - {str(p.column) for p in problems})
    problems += [Problem("there is no such mode", file=FILE, column=name) for name in unknown]
    if problems:
        raise InputError(problems)
    return found, data.source
