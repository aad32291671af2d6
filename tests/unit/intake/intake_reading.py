"""Reads an export the way a case does, without a case file on disk."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from forensics.case.read import check_case
from forensics.errors import Problems, Severity
from forensics.intake import SourceResult, read_sources
from forensics.model.points import Samples, Span
from forensics.model.switches import Switch

MESSY = Path(__file__).resolve().parent / "messy"
Point = tuple[str, str] | tuple[str, str, Mapping[str, Any]]


@dataclass
class Read:
    """Readings of a case, with the questions it put."""

    readings: tuple[SourceResult, ...]
    problems: Problems

    @property
    def one(self) -> SourceResult:
        return self.readings[0]

    def samples(self, role: str) -> Samples:
        return next(s for r in self.readings for s in r.samples if s.role.value == role)

    def switch(self, role: str) -> Switch:
        return next(s for r in self.readings for s in r.switches if s.role.value == role)

    def roles(self) -> set[str]:
        return {s.role.value for r in self.readings for s in (*r.samples, *r.switches)}

    def said(self, severity: Severity | None = None) -> str:
        return "\n".join(str(p) for p in self.problems if severity is None or p.severity is severity)

    def notes(self) -> str:
        return "\n".join(note for r in self.readings for note in r.notes)

    def detected(self, what: str) -> str:
        return "\n".join(f"{d.value}; {d.evidence}" for r in self.readings for d in r.detections if d.what == what)


def utc(samples: Samples | Switch) -> list[str]:
    return [str(stamp) for stamp in samples.t.astype("datetime64[ns]").astype("datetime64[s]")]


def read_case(
    folder: Path,
    files: Sequence[str],
    points: Sequence[Point],
    *,
    zone: str = "UTC",
    source: Mapping[str, Any] | None = None,
    machine: Mapping[str, Any] | None = None,
    case: Mapping[str, Any] | None = None,
    keep: Span | None = None,
) -> Read:
    data: dict[str, Any] = {
        "schema": 1,
        "case": {"id": "x", "time_zone": zone, **(case or {})},
        "machine": {"refrigerant": "R134a", **(machine or {})},
        "source": [{"path": name, **(source or {})} for name in files],
        "point": [{"role": p[0], "column": p[1], **(p[2] if len(p) > 2 else {})} for p in points],
    }
    problems = Problems()
    return Read(read_sources(check_case(data), folder, keep, problems), problems)


def values(samples: Samples) -> list[float]:
    return [float(np.round(value, 6)) for value in samples.v]
