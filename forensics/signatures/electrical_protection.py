"""What the protections of motor and supply said of themselves.

An overload relay and an undervoltage release measure with parts of their own: that they acted is a second witness to
what the logged currents and voltages show. It never stands alone.
"""

from __future__ import annotations

from forensics.findings import Cite, Finding
from forensics.points import NS
from forensics.signatures.answer import Seen, answered
from forensics.signatures.base import Subject, cannot_tell
from forensics.signatures.trip_words import trip_texts
from forensics.vocabulary import Outcome


def tripped_on_overload(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the trip's own text names motor overload or overcurrent."""
    return _named(subject, "electrical.tripped_on_overload", "overload")


def tripped_on_supply(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the trip's own text names the supply voltage."""
    return _named(subject, "electrical.tripped_on_supply", "supply_voltage")


def _named(subject: Subject, check: str, quantity: str) -> tuple[Finding, ...]:
    texts = trip_texts(subject)
    if not texts:
        return (
            cannot_tell(check, "no event list says what tripped", unlocked_by="export the alarm list with its texts"),
        )
    hits = [line for found, line in texts if found.name == quantity]
    line = hits[0] if hits else texts[0][1]
    said = line.text or line.point
    return (
        answered(
            subject,
            check,
            Outcome.PRESENT if hits else Outcome.ABSENT,
            f"the list says '{said}'",
            seen=Seen(
                (line.time_ns, line.time_ns + NS),
                (Cite(line.source, line.point, (line.row, line.row)),),
                float("nan"),
                len(hits) + 1,
            ),
        ),
    )
