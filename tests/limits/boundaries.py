"""Where the answer of a check turns, found by moving the limit that its finding names and nothing else.

For a finding with a value, the limit is moved until the outcome turns; the limit at which it turns must be the value
that the finding tells there, or an end of its interval. A comparison with another limit, with a factor on it, or with
another value than the one told turns elsewhere or never.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache

from signatures.machine import Cycle, Drawn, draw, healthy, subject_of
from signatures.running_machine import made
from signatures.test_oil_refrigerant_heat import PRESENT

from forensics.machine.subject import Detector, Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.catalogue import all_detectors

NEAR = 0.01
"""How near its limit a value must turn the answer, as a share of the limit."""
_STEPS = 12


@dataclass(frozen=True)
class Turn:
    """Where a check turned: the limit just short of the turn and just past it, and what the finding told there."""

    check: str
    limit: str
    present_at: float
    other_at: float
    told: tuple[float, ...]

    @property
    def holds(self) -> bool:
        """Whether the answer turned at what the finding tells."""
        low, high = sorted((self.present_at, self.other_at))
        slack = NEAR * max(abs(low), abs(high))
        return any(low - slack <= value <= high + slack for value in self.told)


def subjects() -> Iterator[tuple[str, Callable[[], Subject]]]:
    """Made machines, each with one thing that is wrong with it, and the sound ones."""
    for number, (check, changes, options) in enumerate(PRESENT):
        yield f"{number}-{check}", lambda c=changes, o=options: made(c, **o)  # type: ignore[misc]
    yield "sound", made
    for name, change in _CYCLES.items():
        yield name, lambda c=change: subject_of(draw(_drawn(c)))  # type: ignore[misc]
    yield "drifting", lambda: subject_of(draw(healthy(4, drift_per_min=4.0)))
    yield "drifting back", lambda: subject_of(draw(healthy(4, drift_per_min=-4.0)))


_CYCLES: dict[str, dict[str, object]] = {
    "cycles": {},
    "loaded": {"slide_at_start": 60.0},
    "held": {"bypass_held": True},
    "backwards": {"reversed_start": True},
    "leaking": {"leak_kpa": 60.0},
    "tripped": {"trip": True},
    "unload dead": {"unload_dead": True},
    "high side falls": {"high_side_tau_s": 60.0},
}


def _drawn(changes: dict[str, object]) -> Drawn:
    drawn = healthy(4, speed=True)
    last = [dataclasses.replace(cycle, **changes) for cycle in drawn.cycles[1:]]  # type: ignore[arg-type]
    cycles: list[Cycle] = [drawn.cycles[0], *last]
    return dataclasses.replace(drawn, cycles=cycles)


def found_turns(subject: Subject) -> Iterator[Turn]:
    """A turn for each finding of the catalogue that names a limit and a value; none where the answer never turned."""
    for detector in all_detectors().values():
        for finding in detector(subject):
            if finding.limit_name and finding.value is not None and finding.outcome is not Outcome.CANNOT_TELL:
                turn = turn_of(subject, detector, finding)
                if turn is not None:
                    yield turn


def turn_of(subject: Subject, detector: Detector, finding: Finding) -> Turn | None:
    """Move the limit of a finding to where the outcome turns between present and not present; None: it never does."""
    given = subject.limits[finding.limit_name]

    def at(limit: float) -> Finding | None:
        limits = subject.limits.replaced({finding.limit_name: (limit, "moved")})
        found = detector(dataclasses.replace(subject, limits=limits))
        return next((one for one in found if one.id == finding.id), None)

    def present(limit: float) -> bool:
        one = at(limit)
        return one is not None and one.outcome is Outcome.PRESENT

    here = finding.outcome is Outcome.PRESENT
    other = next((limit for limit in _steps_away(given, finding) if present(limit) is not here), None)
    if other is None:
        return None
    same = given
    for _ in range(_STEPS):
        middle = (same + other) / 2.0
        same, other = (middle, other) if present(middle) is here else (same, middle)
    present_at, other_at = (same, other) if here else (other, same)
    last = at(present_at)
    assert last is not None
    told = tuple(x for x in (last.value, last.low, last.high) if x is not None and math.isfinite(x))
    return Turn(finding.check, finding.limit_name, present_at, other_at, told)


def _steps_away(given: float, finding: Finding) -> Iterator[float]:
    """Limits further and further on both sides, the value's side first."""
    value = finding.value if finding.value is not None else given
    gap = abs(value - given) or abs(given) * 0.1 or 1.0
    for factor in (1.1, 1.5, 3.0):
        for way in (1.0, -1.0):
            limit = given + factor * way * math.copysign(gap, value - given)
            # a limit of the other sign is another question (a ratio below zero, a rise that is a fall)
            if limit * given > 0.0:
                yield limit


def proven(turns: dict[tuple[str, str], list[Turn]]) -> set[tuple[str, str]]:
    """Checks and limits where most turns of the made machines lie at the value that is told."""
    return {pair for pair, found in turns.items() if 2 * sum(turn.holds for turn in found) > len(found)}


@cache
def all_turns() -> dict[tuple[str, str], list[Turn]]:
    """Every turn of every made machine by check and limit."""
    turns: dict[tuple[str, str], list[Turn]] = {}
    for _, make in subjects():
        for turn in found_turns(make()):
            turns.setdefault((turn.check, turn.limit), []).append(turn)
    return turns
