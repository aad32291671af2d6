"""Where the answer of a check turns, found by moving the limit that its finding names and nothing else.

For a finding with a value, the limit is moved until the outcome turns; the limit at which it turns must be the value
that the finding tells there, or an end of its interval. A comparison with another limit, with a factor on it, or with
another value than the one told turns elsewhere or never.
"""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from signatures import made_waveforms
from signatures.machine import Cycle, Drawn, draw, healthy, subject_of
from signatures.running_machine import Change, Floats, made
from signatures.test_electrical import AMPS, STOP_S, VOLTS, electric, running, then
from signatures.test_electrical import draw as amps
from signatures.test_electrical import stand as volts
from signatures.test_oil_refrigerant_heat import PRESENT
from signatures.test_vibration import shaken
from signatures.test_waveform import subject_with

from forensics.errors import InputError
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.record import Waveform
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.catalogue import all_detectors
from forensics.signatures.core.detector import Detector

METER = Role.MOTOR_AMPS
NEAR = 0.01
"""How near its limit a value must turn the answer, as a share of the limit."""
_STEPS = 12
_ENOUGH = 3


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
    yield "shaken", lambda: made({Role.VIBRATION_VELOCITY: shaken(2.0, 2.0)})
    for name, changed in _SUPPLY.items():
        yield name, lambda c=changed: electric(c, interval_s=2.0)  # type: ignore[misc]
    for name, changed in _CONTACTS.items():
        yield name, lambda c=changed: electric(c, without=_PRESSURES)  # type: ignore[misc]
    for name, waveform in _RECORDS.items():
        yield name, lambda w=waveform: subject_with(w)  # type: ignore[misc]
    yield "sound meter", lambda: electric(interval_s=1.0)
    yield "fast and sound", lambda: made(interval_s=1.0)


_SUPPLY: dict[str, dict[Role, Change]] = {
    "currents unequal": {Role.AMPS_B: amps(55.0)},
    "voltages unequal": {Role.VOLTS_BC: volts(425.0)},
    "voltages low": {role: volts(390.0, seed) for seed, role in enumerate(VOLTS)},
    "phase lost": {Role.AMPS_B: then(amps(80.0), STOP_S - 60.0, STOP_S + 60.0, lambda v: 0.0 * v)},
    "supply lost": {role: then(volts(460.0), STOP_S - 2.0, STOP_S + 60.0, lambda v: 0.02 * v) for role in VOLTS},
    "overloaded": {role: then(amps(80.0), STOP_S - 900.0, STOP_S, lambda v: 1.5 * v) for role in (*AMPS, METER)},
    "stalled": {role: then(amps(80.0), STOP_S - 8.0, STOP_S, lambda v: 7.0 * v) for role in (*AMPS, METER)},
    "power too high": {Role.MOTOR_POWER: lambda t, v: 1.4 * 55.0 * running(t)},
    "starts miscounted": {Role.START_COUNT: lambda t, v: 500.0 + 4.0 * np.floor((t + 7200.0) / 10900.0)},
    "oil off its range": {Role.OIL_TEMPERATURE: then(lambda t, v: v, 5000.0, STOP_S, lambda v: 0.0 * v + 250.0)},
    "suction too cold": {Role.SUCTION_TEMPERATURE: lambda t, v: v - 15.0},
    "discharge off at rest": {Role.DISCHARGE_PRESSURE: lambda t, v: v + 160.0},
}


def _run_on(t: Floats, old: Floats) -> Floats:
    return np.where((t >= STOP_S) & (t < STOP_S + 70.0), 80.0, amps(80.0, 4)(t, old)) + 0.3 * np.sin(t)


def _chattering(t: Floats, old: Floats) -> Floats:
    off = (t >= STOP_S - 300.0) & (t < STOP_S - 290.0) & (t.astype(int) % 3 == 0)
    return np.where(off, 0.0, amps(80.0, 4)(t, old))


# without pressures that equalise, which would call the current a sensor's
_PRESSURES = (Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE)
_CONTACTS: dict[str, dict[Role, Change]] = {"run on": {METER: _run_on}, "chattering": {METER: _chattering}}
_THIRD = np.exp(-2j * np.pi / 3)
_RECORDS: dict[str, Waveform] = {
    "stalled in a record": made_waveforms.start(stalled=True),
    "breaks in a record": made_waveforms.start(breaks=3),
    "ground in a record": made_waveforms.running(amps=(100.0 + 0j, complex(100 * _THIRD), complex(400 * _THIRD**2))),
    "phase lost in a record": made_waveforms.running(amps=(170.0 + 0j, -170.0 + 0j, 0j)),
    "dip in a record": made_waveforms.running(dip=0.5),
    "turned back in a record": made_waveforms.coast_down(),
}


# what these are made for: the rest of the catalogue was moved on others
_ONLY = {
    "run on": "electrical.current_without",
    "chattering": "electrical.chatter",
    "ground in a record": "electrical.ground_fault",
} | {name: "waveform." for name in _RECORDS if not name.startswith("ground")}


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


def found_turns(subject: Subject, enough: Collection[tuple[str, str]] = (), only: str = "") -> Iterator[Turn]:
    """A turn for each finding of the catalogue that names a limit and a value; none where the answer never turned.

    Checks with limits of which ``enough`` is known are left out, and those whose name does not begin with ``only``.
    """
    for detector in (detector for check, detector in all_detectors().items() if check.startswith(only)):
        for finding in detector(subject):
            told = finding.value is not None and finding.outcome is not Outcome.CANNOT_TELL
            if finding.limit_name and told and (finding.check, finding.limit_name) not in enough:
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
    # a limit further off than a case file may give is no limit
    steps = [limit for limit in _steps_away(given, finding) if _can_be_given(subject, finding.limit_name, limit)]
    other = next((limit for limit in steps if present(limit) is not here), None)
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


def _can_be_given(subject: Subject, name: str, limit: float) -> bool:
    try:
        subject.limits.replaced({name: (limit, "moved")})
    except InputError:
        return False
    return True


def _steps_away(given: float, finding: Finding) -> Iterator[float]:
    """Limits further and further on both sides, the value's side first."""
    value = finding.value if finding.value is not None else given
    gap = abs(value - given) or abs(given) * 0.1 or 1.0
    beyond = [given + factor * way * math.copysign(gap, value - given) for factor in (1.1, 1.5, 3.0) for way in (1, -1)]
    # a limit of the other sign is another question (a ratio below zero, a rise that is a fall)
    yield from (limit for limit in beyond if limit * given > 0.0)


def proven(turns: dict[tuple[str, str], list[Turn]]) -> set[tuple[str, str]]:
    """Checks and limits where most turns of the made machines lie at the value that is told."""
    return {pair for pair, found in turns.items() if 2 * sum(turn.holds for turn in found) > len(found)}


@cache
def all_turns() -> dict[tuple[str, str], list[Turn]]:
    """Turns of the made machines by check and limit, a few of each."""
    turns: dict[tuple[str, str], list[Turn]] = {}
    asked: Counter[tuple[str, str]] = Counter()
    for name, make in subjects():
        subject = make()
        enough = {pair for pair, count in asked.items() if count >= _ENOUGH}
        for turn in found_turns(subject, enough, _ONLY.get(name, "")):
            turns.setdefault((turn.check, turn.limit), []).append(turn)
            asked[turn.check, turn.limit] += 1
    return turns
