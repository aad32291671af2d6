"""What a sheet of paper is made of: fields, tables, tick lists, words and a drawing, each with room for a pen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from forensics.case.stage import Gap

EMPTY = ""


@dataclass(frozen=True, slots=True)
class Field:
    """One question and its answer; without one, ``lines`` empty lines."""

    label: str
    value: str = EMPTY
    lines: int = 1


@dataclass(frozen=True, slots=True)
class Fields:
    """Fields below each other, or in two columns."""

    fields: tuple[Field, ...]
    title: str = ""
    columns: int = 1
    kind: str = field(default="fields", init=False)


@dataclass(frozen=True, slots=True)
class Table:
    """Rows that are known, then ``blank`` empty ones; ``widths`` in per cent of the page."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...]
    title: str = ""
    blank: int = 0
    kind: str = field(default="table", init=False)


@dataclass(frozen=True, slots=True)
class Ticks:
    """Things to tick off; those that are done are ticked."""

    items: tuple[tuple[str, bool], ...]
    title: str = ""
    kind: str = field(default="ticks", init=False)


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    kind: str = field(default="words", init=False)


@dataclass(frozen=True, slots=True)
class Drawing:
    """An SVG of this project's own making, with its caption."""

    svg: str
    caption: str
    kind: str = field(default="drawing", init=False)


PaperPart = Fields | Table | Ticks | Words | Drawing


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: what it is for, its cautions, its parts, and what is still missing."""

    key: str
    title: str
    purpose: str
    cautions: tuple[str, ...]
    parts: tuple[PaperPart, ...]
    gaps: tuple[Gap, ...] = ()


def by_place(gaps: Sequence[Gap]) -> tuple[tuple[str, str, bool], ...]:
    """Gaps of one place in one line, in the order of the places; contradictions first, a line each."""
    lines = [(gap.where, gap.what, True) for gap in gaps if gap.contradicts]
    places: dict[str, list[str]] = {}
    for gap in gaps:
        if not gap.contradicts:
            places.setdefault(gap.where, []).append(gap.what)
    return (*lines, *((where, "; ".join(what), False) for where, what in places.items()))


def said(value: object, zone: str = "") -> str:
    """A value of the case as it stands on paper; what is not told is empty."""
    if value is None:
        return EMPTY
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        text = value.isoformat(sep=" ")
        return text if value.tzinfo else f"{text} ({zone} local)" if zone else text
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(said(item, zone) for item in value)
    return str(value)


def joined(*parts: str, by: str = "; ") -> str:
    """Parts that are there, one after the other."""
    return by.join(part for part in parts if part)
