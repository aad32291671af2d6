"""All detectors by the check that they answer: the families merged, and held against the catalogue's tables."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from functools import cache

from forensics.machine.subject import Detector
from forensics.rules import read_checks

FAMILIES = (
    "starts",
    "coastdown",
    "slide",
    "sequence",
    "oil",
    "refrigerant",
    "heat",
    "electrical",
    "waveform",
    "vibration",
    "sensors",
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
