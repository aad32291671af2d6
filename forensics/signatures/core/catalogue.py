"""All detectors by the check that they answer: every family loaded, and held against the catalogue's tables."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache

import forensics.signatures as families
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.memo import kept_with_owner
from forensics.rules import read_checks
from forensics.rules.builds import Meaningless, meaningless
from forensics.signatures.core.detector import REGISTERED, Detector
from forensics.signatures.core.finding import does_not_apply

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
)  # the order in which findings are told


@cache
def all_detectors() -> Mapping[str, Detector]:
    """Every detector, in the order of the catalogue.

    Raises
    ------
    AssertionError
        A check without a detector, or a detector without a check.
    """
    for module in pkgutil.walk_packages(families.__path__, f"{families.__name__}."):
        importlib.import_module(module.name)
    checks = read_checks()
    if set(checks) != set(REGISTERED):
        raise AssertionError(
            f"without detector: {set(checks) - set(REGISTERED)}; without table: {set(REGISTERED) - set(checks)}"
        )
    return {check: REGISTERED[check] for family in FAMILIES for check in checks if checks[check].family == family}


def detectors_of(*names: str) -> dict[str, Detector]:
    """The detectors of some families by their checks, in the order of the catalogue."""
    return {check: detect for check, detect in all_detectors().items() if check.partition(".")[0] in names}


def run_catalogue(subject: Subject, detectors: Mapping[str, Detector]) -> tuple[Finding, ...]:
    """Run every detector; each must answer for its own check at least once."""
    found: list[Finding] = []
    for check_id, detector in detectors.items():
        answers = _answer(subject, check_id, detector)
        if not any(answer.check == check_id for answer in answers):
            raise AssertionError(f"detector of {check_id} gave no answer")
        found.extend(answers)
    return tuple(found)


@kept_with_owner
def answers_of(subject: Subject, check: str) -> tuple[Finding, ...]:
    """What the detector of another check answers: how one family asks another, and each is asked once."""
    return _answer(subject, check, all_detectors()[check])


def _answer(subject: Subject, check: str, detector: Detector) -> tuple[Finding, ...]:
    """What a detector answers; where the build makes its question meaningless it is not asked."""
    why = meaningless_for(subject).checks.get(check)
    return detector(subject) if why is None else (does_not_apply(check, why),)


@kept_with_owner
def meaningless_for(subject: Subject) -> Meaningless:
    """What the build of the machine makes meaningless."""
    return meaningless(subject.build)
