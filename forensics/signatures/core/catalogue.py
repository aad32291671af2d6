"""All detectors by the check that they answer: the families merged, and held against the catalogue's tables."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from functools import cache

from forensics.machine.subject import Detector, Subject
from forensics.model.findings import Finding
from forensics.model.memo import made_once
from forensics.rules import read_checks

FAMILIES = (
    "starts.starts",
    "coastdown.coastdown",
    "slide.slide",
    "sequence.sequence",
    "oil.feed",
    "refrigerant.circuit",
    "heat.discharge",
    "electrical.electrical",
    "waveform.records",
    "vibration.vibration",
    "sensors.sensors",
)


@cache
def all_detectors() -> Mapping[str, Detector]:
    """Every detector, in the order of the families.

    Raises
    ------
    AssertionError
        A check without a detector, or a detector without a check.
    """
    found: dict[str, Detector] = {}
    for name in FAMILIES:
        family = importlib.import_module(f"forensics.signatures.{name}")
        found.update(family.DETECTORS)
    checks = set(read_checks())
    if checks != set(found):
        raise AssertionError(f"without detector: {checks - set(found)}; without table: {set(found) - checks}")
    return found


@made_once
def answers_of(subject: Subject, check: str) -> tuple[Finding, ...]:
    """What the detector of another check answers: how one family asks another, and each is asked once."""
    return all_detectors()[check](subject)
