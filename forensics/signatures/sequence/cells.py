"""What a cell of the sequence profile expects of a command, and how breaches of it are counted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from forensics.machine.citations import rows_of
from forensics.machine.commands import Command, read_commands
from forensics.machine.history import starts_before, stops_before
from forensics.machine.runs import apart_from_runs_s
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Start, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role, State
from forensics.rules.cells import Cell
from forensics.signatures.core.finding import Seen, Value, cannot_tell, does_not_apply, make_finding
from forensics.signatures.core.needs import met
from forensics.stats.proportions import wilson

_TWO = 2


def expected(subject: Subject, state: State, role: Role) -> Cell:
    """The cell of the profile for a state and a valve; of a valve that the build has not nothing is expected."""
    return subject.profile.expected(state, role)


def told(
    state: State, role: Role, wanted: Callable[[Cell], bool]
) -> Callable[[Subject, str], tuple[Command] | Finding]:
    """Need of the command of a valve of which the profile expects in a state what a check looks for."""

    def needs(subject: Subject, check: str) -> tuple[Command] | Finding:
        if role is Role.BYPASS_SOLENOID and not subject.profile.polarity.has_bypass:
            return does_not_apply(check, "the sequence profile has no internal unloading valve")
        if not wanted(expected(subject, state, role)):
            cell = subject.profile.cell(state, role)
            return does_not_apply(check, f"the sequence profile says '{cell}' of {role.value} in {state.value}")
        if isinstance(failed := met(subject, check), Finding):
            return failed
        command = commands_of(subject)[role]
        clock = command.switch.origin.clock
        if (apart_s := apart_from_runs_s(subject.record, clock)) > subject.limits["sequence.clock_known_s"]:
            return cannot_tell(check, f"the clock '{clock}' of the command is known to {apart_s:.0f} s only")
        return (command,)

    return needs


def commands_of(subject: Subject) -> Mapping[Role, Command]:
    """Commands by their hydraulic effect."""
    return read_commands(subject.record, subject.profile)


def stops_of(subject: Subject) -> list[Stop]:
    """Stops of the window up to the failure."""
    return [s for s in stops_before(subject) if s.in_window]


def starts_of(subject: Subject) -> list[Start]:
    """Starts of the window up to the failure."""
    return [s for s in starts_before(subject) if s.in_window]


@dataclass(frozen=True, slots=True)
class Breaches:
    """Where a sequence was broken, of what could be judged, of all there were.

    Attributes
    ----------
    wrong, judged, all
        Starts or stops.
    lasted_s
        How long each breach lasted, s, as ``wrong``; empty where it has no length.
    unsure
        Of the judged, those that the sampling leaves open.
    """

    wrong: Sequence[Start | Stop]
    judged: Sequence[Start | Stop]
    all: Sequence[Start | Stop]
    lasted_s: Sequence[float] = ()
    unsure: int = 0

    @property
    def share(self) -> tuple[float, float, float]:
        """Share of breaches with its 95 % score interval; what is unsure widens it."""
        low = wilson(len(self.wrong), len(self.judged))[0]
        high = wilson(len(self.wrong) + self.unsure, len(self.judged))[1]
        return len(self.wrong) / len(self.judged), low, high


def counted(subject: Subject, check: str, command: Command, found: Breaches, what: str) -> Finding:
    """The finding of counted breaches: present with one and more, absent where enough were judged, else open.

    The value is their share, with its interval; one judged of many is no absence.
    """
    kind = "starts" if isinstance((found.judged or found.all)[0], Start) else "stops"
    if not found.judged:
        return cannot_tell(check, f"the command is not recorded at any of the {len(found.all)} {kind} of the window")
    share, low, high = found.share
    words = f"At {len(found.wrong)} of {len(found.judged)} {kind} of the window that could be judged {what}"
    words += "" if len(found.judged) == len(found.all) else f" (there were {len(found.all)})"
    if found.lasted_s:
        least, most = min(found.lasted_s), max(found.lasted_s)
        words += f", for {least:.0f} s" if most - least < 1.0 else f", for {least:.0f} to {most:.0f} s"
    shown = (found.wrong or found.judged)[-1]
    span = (shown.earliest_ns - 60 * NS, shown.latest_ns + 60 * NS)
    rows = [
        cite
        for one in (found.wrong or found.judged[-1:])
        for cite in rows_of(subject.record.switch(command.role), one.earliest_ns - 60 * NS, one.latest_ns + 60 * NS)
    ]
    count = max(_TWO, len(found.wrong) or len(found.judged))
    seen = Seen(span, tuple(rows), command.interval_s, count, rests_on_commands=True)
    measured = Value(share, low, high, "1")
    if found.wrong:
        return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)
    if found.unsure:
        why = f"samples every {command.interval_s:g} s leave {found.unsure} of them open"
        return make_finding(subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not=why)
    if len(found.judged) < subject.limits["sequence.judged_share"] * len(found.all):
        why = f"{len(found.judged)} of {len(found.all)} {kind} are no answer for the others"
        return make_finding(subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not=why)
    return replace(make_finding(subject, check, Outcome.ABSENT, words, measured, seen), detectable=high)
