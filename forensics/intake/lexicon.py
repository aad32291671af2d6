"""Which words an export may use: states, no reading, column names, month names (``rules/words.toml``)."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Annotated

from pydantic import StringConstraints

from forensics.rules import FOLDER
from forensics.rules.strict import Form, read_form

_UNSEEN = dict.fromkeys(
    (0x00AD, 0x061C, 0xFEFF, *range(0x200B, 0x2010), *range(0x202A, 0x202F), *range(0x2060, 0x206A))
)  # marks of direction and joiners (Unicode Standard Annex 9): they show nothing


def plain(word: str) -> str:
    """A word as it is compared: case, blanks and no-break blanks do not count."""
    if not word.isascii():
        word = unicodedata.normalize("NFC", word.translate(_UNSEEN))
    return " ".join(word.replace("\u00a0", " ").split()).casefold()


@dataclass(frozen=True, slots=True)
class Words:
    """The word lists, each compared by :func:`plain`.

    Attributes
    ----------
    months
        Name to month number (1 to 12).
    columns
        Kind of column (``time``, ``point``, ``value``, ``text``, ``quality``, ``status``, ``unit``, ``summer``) to its
        usual names.
    """

    on: frozenset[str]
    off: frozenset[str]
    missing: frozenset[str]
    communication_on: frozenset[str]
    communication_off: frozenset[str]
    asked_for_trip: frozenset[str]
    no_reading: tuple[float, ...]
    quality_good: frozenset[str]
    summer_time_on: frozenset[str]
    summer_time_off: frozenset[str]
    columns: Mapping[str, frozenset[str]]
    months: Mapping[str, int]
    weekdays: frozenset[str]
    footer: frozenset[str]
    languages: Mapping[str, tuple[tuple[str, ...], ...]]


_Language = Annotated[str, StringConstraints(pattern=r"^(any|[a-z]{2})$")]
_Lists = Mapping[_Language, list[str]]


class _Numbers(Form):
    numbers: tuple[float, ...]


class _Columns(Form):
    time: _Lists
    offset: _Lists
    point: _Lists
    value: _Lists
    text: _Lists
    quality: _Lists
    unit: _Lists
    status: _Lists
    summer: _Lists


class _File(Form):
    """``rules/words.toml``."""

    on: _Lists
    off: _Lists
    missing: _Lists
    communication_on: _Lists
    communication_off: _Lists
    asked_for_trip: _Lists
    no_reading: _Numbers
    quality_good: _Lists
    summer_time_on: _Lists
    summer_time_off: _Lists
    columns: _Columns
    months: Mapping[_Language, list[list[str]]]
    weekdays: _Lists
    footer: _Lists


def _flat(table: Mapping[str, list[str]]) -> frozenset[str]:
    return frozenset(plain(word) for words in table.values() for word in words)


@cache
def read_words() -> Words:
    """Read the word lists once."""
    data = read_form(_File, FOLDER / "words.toml")
    months: dict[str, int] = {}
    for names in data.months.values():
        for number, forms in enumerate(names, start=1):
            months.update({plain(form): number for form in forms})
    return Words(
        on=_flat(data.on),
        off=_flat(data.off),
        missing=_flat(data.missing),
        communication_on=_flat(data.communication_on),
        communication_off=_flat(data.communication_off),
        asked_for_trip=_flat(data.asked_for_trip),
        no_reading=tuple(float(number) for number in data.no_reading.numbers),
        quality_good=_flat(data.quality_good),
        summer_time_on=_flat(data.summer_time_on),
        summer_time_off=_flat(data.summer_time_off),
        columns={kind: _flat(getattr(data.columns, kind)) for kind in _Columns.model_fields},
        months=months,
        weekdays=_flat(data.weekdays),
        footer=_flat(data.footer),
        languages={language: tuple(tuple(forms) for forms in names) for language, names in data.months.items()},
    )
