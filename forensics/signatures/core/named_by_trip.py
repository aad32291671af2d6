"""Nothing is absent while the text of the trip names it."""

from __future__ import annotations

from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_texts
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.finding import downgrade


def open_what_the_trip_names(subject: Subject, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """The findings, with an absence left open where the protection at the failure reported that very quantity.

    A reading that looks normal and a protection that acted contradict each other: which of both is wrong is another
    question, and no reason to exclude what was reported.
    """
    texts = trip_texts(subject)
    if not texts:
        return findings
    quantity, line = texts[0]
    why = f"the trip at the failure says '{line.text or line.point}'"
    return tuple(
        downgrade(f, why) if f.outcome is Outcome.ABSENT and f.check in quantity.checks else f for f in findings
    )
