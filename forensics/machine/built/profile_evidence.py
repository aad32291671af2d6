"""What the record says against the sequence profile: each valve's sense and kind, bypass, pump-down, oil pump.

A contradiction is told where surely most events went against the profile. Which of both is wrong is for the machine to
say: each comes with what to look at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forensics.errors import Problem, Severity
from forensics.machine.built.coil_sense import coil_senses
from forensics.machine.built.profile_cells import broken_cells
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS, OFF, ON
from forensics.model.role_words import in_words
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role, State, StopKind
from forensics.rules import Limits
from forensics.stats.proportions import wilson

_ENOUGH = 0.5


@dataclass(frozen=True, slots=True)
class Evidence:
    """One thing that profile and record both speak of.

    Attributes
    ----------
    about
        A role, a cell or a property of the build.
    told, seen
        What the profile says, and what the record does, in words.
    share, low, high, of
        Share of the events that speak against the profile with its 95 % interval, and how many there were.
    look_at
        What to check on the machine.
    on_commands
        Whether checks that rest on commands hang on it.
    """

    about: str
    told: str
    seen: str
    share: float
    low: float
    high: float
    of: int
    look_at: str
    on_commands: bool = True
    role: Role | None = None

    def contradicts(self, limits: Limits) -> bool:
        """Whether surely most events went against the profile."""
        return self.of >= limits.count("profile.fewest") and self.low > limits["profile.contradicted_share"]

    @property
    def words(self) -> str:
        """As a sentence tells it."""
        against = f"{100 * self.share:.0f} % ({100 * self.low:.0f} to {100 * self.high:.0f}) of {self.of}"
        return f"{self.about}: the profile says {self.told}; the record shows {self.seen} ({against} against it)"


def share_interval(count: int, of: int) -> tuple[float, float, float]:
    """A share with its 95 % score interval."""
    return count / of, *wilson(count, of)


@kept_with_owner
def profile_evidence(subject: Subject) -> tuple[Evidence, ...]:
    """Everything that the record says of its profile, contradicted or not; made once for a subject."""
    return (
        *_senses(subject),
        *_kinds(subject),
        *_bypass(subject),
        *_pump_down(subject),
        *_oil(subject),
        *_cells(subject),
    )


def contradictions(subject: Subject) -> tuple[Evidence, ...]:
    """What of the profile the record contradicts."""
    return tuple(one for one in profile_evidence(subject) if one.contradicts(subject.limits))


def settled_roles(subject: Subject) -> frozenset[Role]:
    """Valves of which an inspection or test in the case names the part: its pull was looked at on the machine."""
    names = {in_words(role): role for role in Role}
    seen = [o for o in subject.observations if o.kind in ("inspection", "test")]
    return frozenset(names[o.part.strip().lower()] for o in seen if o.part.strip().lower() in names)


def commands_doubted(subject: Subject) -> bool:
    """Whether what rests on commands is open: the record contradicts the profile, and nobody looked at that coil."""
    done = settled_roles(subject)
    return any(one.on_commands and (one.role is None or one.role not in done) for one in contradictions(subject))


def profile_problems(subject: Subject) -> list[Problem]:
    """Contradictions as page one tells them."""
    return [
        Problem(
            f"the record speaks against the sequence profile '{subject.profile.id}': {one.words}",
            column="machine.sequence",
            remedy=one.look_at,
            severity=Severity.NOTE,
        )
        for one in contradictions(subject)
    ]


def profile_told(subject: Subject) -> tuple[str, ...]:
    """What the record says of the profile, for the list of what was taken for granted."""
    found = profile_evidence(subject)
    if not found:
        return ()
    agreed = [one for one in found if not one.contradicts(subject.limits)]
    against = [f"Against the sequence profile: {one.words}." for one in contradictions(subject)]
    words = "; ".join(f"{one.about} ({one.of} events, {100 * one.share:.0f} % against)" for one in agreed)
    return (
        *against,
        *([f"The record bears the sequence profile out, or leaves it open, in: {words}."] if words else []),
    )


def _senses(subject: Subject) -> Iterator[Evidence]:
    polarity = subject.profile.polarity
    told = {Role.LOAD_SOLENOID: polarity.load_solenoid, Role.UNLOAD_SOLENOID: polarity.unload_solenoid}
    for sense in coil_senses(subject):
        usual = "energise-to-load" if sense.role is Role.LOAD_SOLENOID else "energise-to-unload"
        expected = told[sense.role] == usual
        share, low, high = sense.against(energised=expected)
        yield Evidence(
            about=f"sense of the {in_words(sense.role)}",
            told=told[sense.role],
            seen=f"a capacity that moves {sense.rate:+.1f} % a minute while it is energised, against what it does else",
            share=share,
            low=low,
            high=high,
            of=sense.blocks,
            look_at=f"Pull of the {in_words(sense.role)}'s coil, and which way the slide moves with it; "
            "wiring of its output.",
            role=sense.role,
        )


def _kinds(subject: Subject) -> Iterator[Evidence]:
    """Whether a capacity coil pulses, or stays on: by the lengths of its spells while the machine runs."""
    limits = subject.limits
    for role in (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID):
        cell = subject.profile.expected(State.LOAD if role is Role.LOAD_SOLENOID else State.UNLOAD, role)
        switch = subject.record.switch(role)
        if switch is None or cell.free or not (cell.pulses or cell.acts):
            continue
        lengths = _spells_s(subject, switch)
        if not len(lengths) or (cell.pulses and not cell.rests and subject.profile.expected(State.HOLD, role).acts):
            continue
        longest = max(limits["profile.pulse_longest_s"], limits["profile.pulse_samples"] * switch.interval_s)
        short = int(np.sum(lengths <= longest))
        may_stay = not cell.pulses or any("on" in phase for phase in cell.phases)
        wrong = len(lengths) - short if cell.pulses and not may_stay else short if not cell.pulses else 0
        share, low, high = share_interval(wrong, len(lengths))
        seen = f"{short} of {len(lengths)} spells of {longest:.0f} s at most"
        look = f"Kind of the {in_words(role)}: pulsed, or a step valve that stays energised."
        yield Evidence(
            about=f"kind of the {in_words(role)}",
            told=cell.in_words,
            seen=seen,
            share=share,
            low=low,
            high=high,
            of=len(lengths),
            look_at=look,
            role=role,
        )


def _spells_s(subject: Subject, switch: Switch) -> np.ndarray:
    """Lengths, s, of the acting spells that lie inside runs of the motor, away from their starts and stops."""
    polarity = getattr(subject.profile.polarity, switch.role.value)
    begin, end = switch.on_times if polarity.startswith("energise") else _off_times(switch)
    inside = np.zeros(len(begin), bool)
    margin = round(subject.profile.times.bypass_delay_after_start_s * NS)
    for run in subject.runs:
        inside |= (begin > run.first_ns + margin) & (end < run.last_ns - margin)
    return np.asarray((end - begin)[inside] / NS)


def _off_times(switch: Switch) -> tuple[np.ndarray, np.ndarray]:
    turned = np.where(switch.state == ON, OFF, np.where(switch.state == OFF, ON, switch.state)).astype(np.int8)
    return Switch(switch.role, switch.origin, switch.t, turned, switch.row).on_times


def _bypass(subject: Subject) -> Iterator[Evidence]:
    """Presence and sense of the internal unloading valve, by its coil in each run and rest."""
    switch = subject.record.switch(Role.BYPASS_SOLENOID)
    if switch is None or not len(switch):
        return
    running = [
        s for s in (_state_in(switch, *_middle(run.first_ns, run.last_ns)) for run in subject.runs) if s is not None
    ]
    gaps = [(a.last_ns, b.first_ns) for a, b in zip(subject.runs, subject.runs[1:], strict=False)]
    resting = [s for s in (_state_in(switch, *_middle(a, b)) for a, b in gaps) if s is not None]
    pairs = list(zip(running, resting, strict=False))
    if not pairs:
        return
    look = "Whether an internal unloading valve is fitted, and its coil's pull at a start and at a stop."
    if not subject.profile.polarity.has_bypass:
        moved = sum(a != b for a, b in pairs)
        share, low, high = share_interval(moved, len(pairs))
        seen = f"a command that goes with the motor in {moved} of {len(pairs)} cycles"
        yield Evidence(
            about="internal unloading valve",
            told="none",
            seen=seen,
            share=share,
            low=low,
            high=high,
            of=len(pairs),
            look_at=look,
            role=switch.role,
        )
        return
    shuts = subject.profile.polarity.bypass_solenoid == "energise-to-shut"
    turned = sum(a is (not shuts) and b is shuts for a, b in pairs)
    share, low, high = share_interval(turned, len(pairs))
    seen = f"a coil that is energised at rest and not in running in {turned} of {len(pairs)} cycles"
    if not shuts:
        seen = f"a coil that is energised in running and not at rest in {turned} of {len(pairs)} cycles"
    told = subject.profile.polarity.bypass_solenoid
    yield Evidence(
        about="sense of the bypass solenoid",
        told=told,
        seen=seen,
        share=share,
        low=low,
        high=high,
        of=len(pairs),
        look_at=look,
        role=switch.role,
    )


def _middle(start_ns: int, end_ns: int) -> tuple[int, int]:
    """The middle half of a stretch: away from what belongs to its ends."""
    quarter = (end_ns - start_ns) // 4
    return start_ns + quarter, end_ns - quarter


def _state_in(switch: Switch, start_ns: int, end_ns: int) -> bool | None:
    """Whether a coil is mostly energised in a stretch; None where that is not known."""
    states = [switch.at(int(at)) for at in np.linspace(start_ns, end_ns, 9)]
    known = [state == ON for state in states if state in (ON, OFF)]
    if len(known) < len(states) * _ENOUGH:
        return None
    return sum(known) > len(known) * _ENOUGH


def _pump_down(subject: Subject) -> Iterator[Evidence]:
    """Whether normal stops draw suction down before the motor stops."""
    point = subject.record.point(Role.SUCTION_PRESSURE)
    if point is None:
        return
    limits, fell, judged = subject.limits, 0, 0
    for stop in subject.stops:
        if stop.kind is not StopKind.NORMAL:
            continue
        begin = stop.earliest_ns - round(limits["profile.pump_down_s"] * NS)
        part = point.usable.between(begin, stop.earliest_ns + 1)
        if len(part) < _FEW_READINGS or point.interval_s > limits["profile.pump_down_s"] / _FEW_READINGS:
            continue
        drop = 1.0 - float(part.v[-1]) / float(np.max(part.v))
        if limits["profile.pump_down_none"] < drop < limits["profile.pump_down_share"]:
            continue  # some fall is no pump-down, and no sign that there is none: a slow machine draws little
        judged += 1
        fell += drop >= limits["profile.pump_down_share"]
    if not judged:
        return
    has = subject.profile.polarity.has_pump_down
    share, low, high = share_interval(judged - fell if has else fell, judged)
    seen = f"suction that falls before {fell} of {judged} normal stops"
    look = "Whether the controller pumps down before a normal stop, in its settings and at one stop watched."
    told = "pump-down" if has else "no pump-down"
    yield Evidence(
        about="pump-down",
        told=told,
        seen=seen,
        share=share,
        low=low,
        high=high,
        of=judged,
        look_at=look,
        on_commands=False,
    )


_FEW_READINGS = 4


def _oil(subject: Subject) -> Iterator[Evidence]:
    """Whether oil is fed above the discharge pressure, run by run: no difference of the compressor can do that."""
    record, told = subject.record, subject.build.oil_pump
    oil = record.point(Role.OIL_PRESSURE)
    high = next((p for r in _HIGH if (p := record.point(r)) is not None), None)
    if told is not False or oil is None or high is None:
        return
    above = judged = 0
    for run in subject.runs:
        part = oil.usable.between(*_middle(run.first_ns, run.last_ns))
        over = part.v - high.at(part.t, 4.0 * high.interval_s)
        over = over[np.isfinite(over)]
        if len(over) < _FEW_READINGS:
            continue
        judged += 1
        above += float(np.median(over)) > subject.limits["profile.pump_above_kpa"]
    if not judged:
        return
    share, low, top = share_interval(above, judged)
    seen = f"oil above the discharge pressure in {above} of {judged} runs"
    look = "Whether an oil pump is fitted, and both sensors against a gauge."
    yield Evidence(
        about="oil pump",
        told="none",
        seen=seen,
        share=share,
        low=low,
        high=top,
        of=judged,
        look_at=look,
        on_commands=False,
    )


_HIGH = (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE, Role.HIGH_SIDE_PRESSURE)


def _cells(subject: Subject) -> Iterator[Evidence]:
    for cell in broken_cells(subject):
        share, low, high = share_interval(cell.broken, cell.of)
        look = f"The controller's table for {cell.state.value}, and the {in_words(cell.role)}'s pull in it."
        about = f"{in_words(cell.role)} in {cell.state.value}"
        yield Evidence(
            about=about,
            told=cell.told,
            seen=cell.seen,
            share=share,
            low=low,
            high=high,
            of=cell.of,
            look_at=look,
            role=cell.role,
        )
