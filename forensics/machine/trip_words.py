"""Which quantity a trip speaks of: the texts about the failure held against a table of words in several languages."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from forensics.errors import InputError, Problem
from forensics.machine.phases import trip_at_failure
from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.record import LogLine
from forensics.model.vocabulary import Role, StopKind
from forensics.rules import FOLDER, read_checks, read_toml

_KEYS = {"title", "words", "sensors", "neighbours", "side", "checks", "source"}
BY_HAND = "hand"
_SIDES = ("low", "high", "either")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A line of the table.

    Attributes
    ----------
    words
        Each a set of word beginnings that must all occur.
    sensors
        Roles that measure the quantity itself.
    neighbours
        Roles that must move with it for physical reasons.
    side
        Where the trip lies: ``low``, ``high`` or ``either``.
    checks
        Of the catalogue, those that look for just what the text says.
    """

    name: str
    title: str
    words: tuple[tuple[str, ...], ...]
    sensors: tuple[Role, ...]
    neighbours: tuple[Role, ...]
    side: str
    checks: tuple[str, ...]
    source: str


Texts = tuple[tuple[Quantity, LogLine], ...]


@cache
def read_trip_words() -> tuple[Mapping[str, Quantity], tuple[str, ...], tuple[str, ...]]:
    """Quantities in order of the table, words that mark a trip, and words that mark its end.

    Raises
    ------
    InputError
        A table lacks a key, has an unknown one or names an unknown role.
    """
    name = "trip_words.toml"
    tables = read_toml(FOLDER / name)
    marks = tables.pop("marks")
    problems: list[Problem] = []
    if set(marks) != {"trip", "end"}:
        problems.append(Problem("needs exactly ['end', 'trip']", file=name, column="marks"))
    out: dict[str, Quantity] = {}
    for key, table in tables.items():
        if not isinstance(table, dict) or set(table) != _KEYS or table.get("side") not in _SIDES:
            problems.append(Problem(f"needs exactly {sorted(_KEYS)}, side one of {_SIDES}", file=name, column=key))
            continue
        try:
            sensors = tuple(Role(role) for role in table["sensors"])
            neighbours = tuple(Role(role) for role in table["neighbours"])
        except ValueError as fault:
            problems.append(Problem(str(fault), file=name, column=key))
            continue
        words = tuple(tuple(plain(text)) for text in table["words"])
        checks = tuple(table["checks"])
        if unknown := [check for check in checks if check not in read_checks()]:
            problems.append(Problem(f"no such check: {', '.join(unknown)}", file=name, column=key))
        out[key] = Quantity(
            name=key,
            title=table["title"],
            words=words,
            sensors=sensors,
            neighbours=neighbours,
            side=table["side"],
            checks=checks,
            source=table["source"],
        )
    if problems:
        raise InputError(problems)
    return out, tuple(marks["trip"]), tuple(marks["end"])


def plain(text: str) -> list[str]:
    """Words of a text: case folded, accents taken off, split at whatever is no letter or digit."""
    flat = unicodedata.normalize("NFKD", text.casefold())
    flat = "".join(c for c in flat if not unicodedata.combining(c))
    return "".join(c if c.isalnum() else " " for c in flat).split()


def quantity_of(text: str) -> Quantity | None:
    """The first quantity of the table whose words all begin words of the text; None where none fits."""
    spoken = plain(text)
    for quantity in read_trip_words()[0].values():
        for words in quantity.words:
            if all(any(word.startswith(begin) for word in spoken) for begin in words):
                return quantity
    return None


def trip_texts(subject: Subject) -> Texts:
    """Lines of event lists about the failure that speak of a quantity: those of trips first, then by nearness.

    Lines that report a return to normal are left out. Each list's clock uncertainty widens what counts as near.
    """
    _, marks, ends = read_trip_words()
    trip = trip_at_failure(subject)
    failure_ns = subject.record.failure_ns
    first = failure_ns if trip is None else min(trip.earliest_ns, failure_ns)
    last = failure_ns if trip is None else max(trip.latest_ns, failure_ns)
    columns = {s.origin.column for s in subject.record.switches.get(Role.TRIP, ())}
    found: list[tuple[tuple[int, int], Quantity, LogLine]] = []
    for line in subject.record.log:
        unsure_s = min(subject.record.uncertainty_s(line.clock), 3600.0)
        room = round((subject.limits["sensors.trip_text_reach_s"] + unsure_s) * NS)
        if not first - room <= line.time_ns <= last + room:
            continue
        state = plain(line.value)
        if any(word in ends for word in state):
            continue
        text = f"{line.point} {line.text} {line.value}"
        quantity = quantity_of(f"{line.text} {line.value}") or quantity_of(line.point)
        if quantity is None:
            continue
        is_trip = line.point in columns or line.text in columns or any(w.startswith(marks) for w in plain(text))
        found.append(((0 if is_trip else 1, abs(line.time_ns - failure_ns)), quantity, line))
    found.sort(key=lambda item: item[0])
    trips = [item for item in found if item[0][0] == 0]
    return tuple((quantity, line) for _, quantity, line in (trips or found))


def trip_quantities() -> frozenset[str]:
    """Names of all quantities of the table."""
    return frozenset(read_trip_words()[0])


def tripped_on(subject: Subject) -> frozenset[str]:
    """Quantities that the texts about the failure name, but for a stop by hand, which no protection made.

    Where the machine tripped several times in a row, those of the earlier trips count as well: the first acts on what
    failed, a later one on whatever a machine that is put back into service reaches first.
    """
    named = {quantity.name for quantity, _ in trip_texts(subject)}
    until_ns = subject.record.failure_ns + round(subject.limits["duty.failure_reach"] * NS)
    for stop in reversed([one for one in subject.stops if one.earliest_ns <= until_ns]):
        if stop.kind is not StopKind.TRIP:
            break
        quantity = quantity_of(stop.cause_text)
        named |= set() if quantity is None else {quantity.name}
    return frozenset(named - {BY_HAND})


def trip_lines(subject: Subject, quantity: str) -> tuple[LogLine, ...]:
    """Lines about the failure that speak of one quantity."""
    return tuple(line for found, line in trip_texts(subject) if found.name == quantity)
