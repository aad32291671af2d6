"""Answers of a study, invented: the shape of a line of its file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from forensics.study.answers import Answers, tables_of

FAST, SLOW = "up to 2 s", "over 10 to 60 s"
HEADER = {"form": 1, "seed": 9, "version": "0.0.1", "rules": "r", "code": "c"}


def case(
    status: str = "undetermined",
    mode: str | None = None,
    *,
    also: Sequence[str] = (),
    grade: str = "probable",
    band: str = FAST,
    db: Mapping[str, float] | None = None,
    findings: Sequence[tuple[str, str]] = (),
    failed: str = "",
    capacity: str = "slide",
) -> dict[str, Any]:
    verdict = {"status": status, "mode": mode, "grade": grade if mode else None, "also": list(also)}
    return {
        "sampling_s": 2.0,
        "points": "usual",
        "without": [],
        "dirt": "usual",
        "recorded": "instant",
        "fast_s": None,
        "band": band,
        "capacity": capacity,
        "verdict": verdict,
        "hypotheses": {name: ["possible", value] for name, value in (db or {}).items()},
        "findings": [[check, outcome, *[None] * 4, None, "", 1, None] for check, outcome in findings],
        "failed": failed,
        "spent_s": 0.1,
    }


def machine(number: int, *faults: str, cases: Sequence[Mapping[str, Any]], half: str = "B") -> dict[str, Any]:
    about = {
        "number": number,
        "half": half,
        "seed": number,
        "build": "pulsed-bypass",
        "faults": [[mode, "clear", "hours"] for mode in faults],
        "disturbances": [],
        "bypass": True,
    }
    return {"machine": about, "cases": list(cases)}


def answers(*machines: dict[str, Any]) -> Answers:
    return tables_of(HEADER, machines)
