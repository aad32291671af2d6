"""Detectors, each registered under the check that it answers."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeVarTuple

from forensics.machine.subject import Subject
from forensics.model.findings import Finding

Detector = Callable[[Subject], tuple[Finding, ...]]
Needed = TypeVarTuple("Needed")
REGISTERED: dict[str, Detector] = {}


def answers(check: str) -> Callable[[Detector], Detector]:
    """Register what answers a check by itself: once, several times, or with needs of its own.

    Raises
    ------
    AssertionError
        Another detector answers the check already.
    """

    def register(detect: Detector) -> Detector:
        if check in REGISTERED:
            raise AssertionError(f"two detectors of {check}")
        REGISTERED[check] = detect
        return detect

    return register


def detector(
    check: str, needs: Callable[[Subject, str], tuple[*Needed] | Finding]
) -> Callable[[Callable[[Subject, str, *Needed], Finding]], Detector]:
    """Make a detector of a look that gives the one answer of a check, and register it.

    Parameters
    ----------
    check
        Id in the catalogue; the look is given it.
    needs
        Gets what the look needs, or the cannot-tell where it can't be had; what it gets is handed to the look.

    Notes
    -----
    What several detectors ask before they look is asked in one place so, and in the same words.
    """

    def made(look: Callable[[Subject, str, *Needed], Finding]) -> Detector:
        @wraps(look)
        def detect(subject: Subject) -> tuple[Finding, ...]:
            got = needs(subject, check)
            return (got if isinstance(got, Finding) else look(subject, check, *got),)

        return answers(check)(detect)

    return made
