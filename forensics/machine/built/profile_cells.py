"""Cells of the sequence profile that the record breaks: what a solenoid did in the states that the motor tells."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from forensics.machine.commands import Command, read_commands
from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.vocabulary import Role, State
from forensics.rules.cells import Cell

ROLES = (Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID, Role.BYPASS_SOLENOID)
_MOST = 200


@dataclass(frozen=True, slots=True)
class BrokenCell:
    """How often a solenoid did what its cell does not have, of the spells of a state in which it is known."""

    state: State
    role: Role
    told: str
    seen: str
    broken: int
    of: int


def broken_cells(subject: Subject) -> Iterator[BrokenCell]:
    """Every cell that the record can be held against.

    States that the commands themselves tell (load, hold, unload) are left to the checks of the sequence; rest, start
    and coast-down are told by the motor, so that a cell of them that is never kept is a wrong profile.
    """
    commands = read_commands(subject.record, subject.profile)
    for state in (State.REST, State.START, State.COAST_DOWN):
        spells = [(s.start_ns, s.end_ns) for s in subject.spans if s.state is state][-_MOST:]
        for role in ROLES:
            cell, command = subject.profile.expected(state, role), commands.get(role)
            if command is None or cell.free:
                continue
            kept = [k for a, b in spells if (k := _kept(command, cell, a, b, state)) is not None]
            if kept:
                broken = sum(not one for one in kept)
                seen = f"another way in {broken} of {len(kept)} spells"
                yield BrokenCell(state, role, cell.in_words, seen, broken, len(kept))


def _kept(command: Command, cell: Cell, start_ns: int, end_ns: int, state: State) -> bool | None:
    """Whether a command did in one spell what its cell has; None where samples leave it open.

    Of a cell that is the same throughout the middle of the spell tells; of one that changes its end does.
    """
    margin = round(2.0 * command.interval_s * NS)
    length = end_ns - start_ns
    if length <= 2 * margin:
        return None
    wanted = cell.first if cell.first == cell.last else None
    if wanted is None:
        return None
    begin, end = start_ns + margin, end_ns - margin
    if state is State.START:
        end = min(end, start_ns + length // 2)
    if state is State.COAST_DOWN:
        end = min(end, start_ns + round(10 * NS))
    if end <= begin:
        return None
    known = command.known_s(begin, end)
    if known < (end - begin) / NS / 2.0:
        return None
    return (command.acting_s(begin, end) > known / 2.0) is wanted
