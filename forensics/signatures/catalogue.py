"""All detectors by the check that they answer: the families merged, and held against the catalogue's tables."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from forensics.rules import read_checks
from forensics.signatures.base import Detector


@cache
def all_detectors() -> Mapping[str, Detector]:
    """Every detector, in the order of the families.

    Raises
    ------
    AssertionError
        A check without a detector, or a detector without a check.
    """
    from forensics.signatures import coastdown, electrical, heat, oil, refrigerant, sensors, sequence, slide, starts
    from forensics.signatures import waveform as waveforms

    families = (starts, coastdown, slide, sequence, oil, refrigerant, heat, electrical, waveforms, sensors)
    found: dict[str, Detector] = {}
    for family in families:
        found.update(family.DETECTORS)
    checks = set(read_checks())
    if checks != set(found):
        raise AssertionError(f"without detector: {checks - set(found)}; without table: {set(found) - checks}")
    return found
