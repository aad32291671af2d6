"""What a protection said that it acted on: the words of the list, whatever the readings show."""

from __future__ import annotations

from forensics.machine.subject import Subject
from forensics.machine.trip_words import BY_HAND, Texts
from forensics.model.findings import Cite, Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, make_finding
from forensics.signatures.core.needs import trip_told


@detector("sensors.trip_named", trip_told)
def trip_named(subject: Subject, check: str, texts: Texts) -> Finding:
    """Decide whether the event list names, at the failure, a quantity that a protection acted on.

    A stop by hand is told as such: no protection acted. What the readings say of the quantity is another question.
    """
    named = [(quantity, line) for quantity, line in texts if quantity.name != BY_HAND]
    quantity, line = (named or texts)[0]
    cites = tuple(Cite(told.source, told.point, (told.row, told.row)) for _, told in (named or texts))
    seen = Seen((line.time_ns, line.time_ns + NS), cites, samples=len(named or texts) + 1)
    text = f"'{line.text or line.point}': {quantity.title}"
    return make_finding(subject, check, Outcome.PRESENT if named else Outcome.ABSENT, text, seen=seen)
