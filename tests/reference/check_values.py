"""The shared table of check values: its rows with their numbers and tolerances, and the ids that a text names."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

AREAS = ("RP", "EL", "SC", "ST", "FE", "PN", "SA")
_NUMBER = re.compile(r"(?<![\w.])[-+]?(?:\d+(?:\.\d+)?|\.\d+)(?:[eE][-+]?\d+)?")
_ID = re.compile(rf"\b({'|'.join(AREAS)})-(\d{{3}})(?:\s+to\s+(?:\1-)?(\d{{3}}))?\b")


def numbers(text: str) -> tuple[float, ...]:
    """Numbers of a text, those that are part of a name (R134a, p1) left out."""
    return tuple(float(found) for found in _NUMBER.findall(text))


def named(text: str) -> list[str]:
    """Ids that a text names, ranges such as ``first to last`` written out."""
    found = []
    for match in _ID.finditer(text):
        first, last = int(match[2]), int(match[3] or match[2])
        found += [f"{match[1]}-{number:03d}" for number in range(first, last + 1)]
    return found


def spread(*texts: str) -> list[str]:
    """Ids of several ranges, for ``parametrize``."""
    return [one for text in texts for one in named(text)]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table; ``source`` and ``confidence`` say where its value comes from."""

    id: str
    area: str
    quantity: str
    inputs: str
    expected: str
    unit: str
    tolerance: str
    source: str
    confidence: str

    @property
    def given(self) -> tuple[float, ...]:
        """Numbers of the inputs."""
        return numbers(self.inputs)

    @property
    def values(self) -> tuple[float, ...]:
        """Numbers of the expected value."""
        return numbers(self.expected)

    def about(self, place: int = 0) -> Any:
        """The expected value at a place within the row's tolerance, never closer than half its last printed digit."""
        part = self.tolerance.split(";")[min(place, self.tolerance.count(";"))]
        size = next(iter(numbers(part)), 0.0)
        digits = _NUMBER.findall(self.expected)[place].partition(".")[2]
        printed = 0.5 * 10.0 ** -len(digits)
        value = self.values[place]
        if "%" in part or "rel" in part:
            size *= abs(value) * (0.01 if "%" in part else 1.0)
        return pytest.approx(value, rel=0.0, abs=max(size, printed) * (1.0 + 1e-9))


@cache
def read_rows(table: Path) -> dict[str, Row]:
    """All rows by id."""
    with table.open(encoding="utf-8", newline="") as stream:
        return {line["id"]: Row(**line) for line in csv.DictReader(stream)}


def missing(wanted: Iterable[str], have: Iterable[str]) -> list[str]:
    """Ids that are wanted and not there, in order."""
    return sorted(set(wanted) - set(have))
