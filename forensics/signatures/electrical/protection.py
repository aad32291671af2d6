"""What the protections of motor and supply said of themselves.

An overload relay and an undervoltage release measure with parts of their own: that they acted is a second witness to
what the logged currents and voltages show. It never stands alone.
"""

from __future__ import annotations

from forensics.machine.subject import Subject
from forensics.machine.trip_words import Texts
from forensics.model.findings import Cite, Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, make_finding
from forensics.signatures.core.needs import trip_told


@detector("electrical.tripped_on_overload", trip_told)
def tripped_on_overload(subject: Subject, check: str, texts: Texts) -> Finding:
    """Decide whether the trip's own text names motor overload or overcurrent."""
    return _named(subject, check, texts, "overload")


@detector("electrical.tripped_on_supply", trip_told)
def tripped_on_supply(subject: Subject, check: str, texts: Texts) -> Finding:
    """Decide whether the trip's own text names the supply voltage."""
    return _named(subject, check, texts, "supply_voltage")


@detector("electrical.tripped_on_sequence", trip_told)
def tripped_on_sequence(subject: Subject, check: str, texts: Texts) -> Finding:
    """Decide whether the trip's own text names the sequence of the phases."""
    return _named(subject, check, texts, "phase_sequence")


def _named(subject: Subject, check: str, texts: Texts, quantity: str) -> Finding:
    hits = [line for found, line in texts if found.name == quantity]
    line = hits[0] if hits else texts[0][1]
    cites = (Cite(line.source, line.point, (line.row, line.row)),)
    seen = Seen((line.time_ns, line.time_ns + NS), cites, samples=len(hits) + 1)
    outcome = Outcome.PRESENT if hits else Outcome.ABSENT
    return make_finding(subject, check, outcome, f"the list says '{line.text or line.point}'", seen=seen)
