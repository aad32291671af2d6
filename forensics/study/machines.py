"""What the study borrows from the demonstration's generator: machines, their faults, and a record of one in memory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import Any

from forensics.demo.study import BUILDS, DISTURBANCES, FAULTS, ONSETS, SEVERITIES, possible, simulate
from forensics.demo.study.document import machine_keys
from forensics.demo.study.effects import Effects
from forensics.demo.study.site import Clock
from forensics.demo.study.workbook import as_case

__all__ = [
    "BUILDS",
    "DISTURBANCES",
    "FAULTS",
    "ONSETS",
    "SEVERITIES",
    "Clock",
    "as_case",
    "capacity_of",
    "disjoint",
    "possible",
    "simulate",
]


def capacity_of(case: Any) -> str:
    """What moves the capacity of a case's machine, in the words of the case file."""
    keys: Mapping[str, Any] = machine_keys(case)
    return str(keys["capacity"])


def disjoint(build: Any, first: str, second: str) -> bool:
    """Whether two faults set different effects, so that neither takes the other's place in the simulation."""
    if first == second or (FAULTS[first].event and FAULTS[first].event == FAULTS[second].event):
        return False
    return possible(build, second) and not _touched(build, first) & _touched(build, second)


@cache
def _touched(build: Any, mode: str) -> frozenset[str]:
    """Fields of the effects that a fault sets, in either of its variants."""
    found: set[str] = set()
    names = [field.name for field in fields(Effects)]
    healthy = Effects()
    for variant in (0, 1):
        effects = Effects()
        FAULTS[mode].act(effects, FAULTS[mode].amount("gross", 1.0), variant, build)
        found |= {name for name in names if getattr(effects, name) != getattr(healthy, name)}
    return frozenset(found)
