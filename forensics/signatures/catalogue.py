"""All detectors by the check that they answer: the families merged, and held against the catalogue's tables."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from forensics.rules import read_checks
from forensics.signatures.base import Detector


FAMILIES = (
    "starts", "coastdown", "slide", "sequence", "oil", "refrigerant", "heat", "electrical", "waveform", "sensors",
)


@cache
def all_detectors() -> Mapping[str, Detector]:
    """Every detector, in the order of the families.

    Raises
    ------
    AssertionError
        A check without a detector, or a detector without a check.
    """
    import importlib

    found: dict[str, Detector] = {}
    for name in FAMILIES:
        try:
            family = importlib.import_module(f"forensics.signatures.{name}")
        except ModuleNotFoundError:
            continue
        found.update(getattr(family, "DETECTORS", {}))
    return {check: detector for check, detector in found.items() if check in read_checks()}
