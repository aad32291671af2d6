"""Exposure: which machine ran how many hours and starts in which period, and whether it still runs.

``fleet.csv`` has the columns machine, from, to, hours, starts, still running. Without it counts stay counts.
"""

from __future__ import annotations

import csv
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.model.paths import TABLE_BYTES, read_regular
from forensics.model.points import NS
from forensics.sites.gather import Collection, SiteCase

COLUMNS = ("machine", "from", "to", "hours", "starts", "still_running")
_YES, _NO = frozenset({"yes", "true", "1", "y"}), frozenset({"no", "false", "0", "n"})
_DAY_NS = 86_400 * NS


@dataclass(frozen=True, slots=True)
class Spell:
    """One machine over one period."""

    machine: str
    from_ns: int
    to_ns: int
    hours: float
    starts: float | None
    still_running: bool
    line: int

    def holds(self, time_ns: int | None) -> bool:
        """Whether a time lies in the period; its last day is part of it."""
        return time_ns is not None and self.from_ns <= time_ns < self.to_ns + _DAY_NS


@dataclass(frozen=True)
class Fleet:
    """Exposure of the fleet, machines named as in the cases where they have one.

    Attributes
    ----------
    notes
        What was left out of rates and lives, and why.
    """

    spells: tuple[Spell, ...]
    notes: tuple[str, ...] = ()

    @property
    def hours(self) -> float:
        """Running hours at risk."""
        return sum(spell.hours for spell in self.spells)

    @property
    def starts(self) -> float | None:
        """Starts at risk; None where one period has none."""
        counts = [spell.starts for spell in self.spells]
        return None if None in counts else sum(c for c in counts if c is not None)

    @cached_property
    def _by_machine(self) -> dict[str, list[Spell]]:
        found: dict[str, list[Spell]] = {}
        for spell in self.spells:
            found.setdefault(spell.machine, []).append(spell)
        return found

    def spell_of(self, case: SiteCase) -> Spell | None:
        """The period in which a failure lies."""
        return next((s for s in self._by_machine.get(case.machine, ()) if s.holds(case.failure_ns)), None)

    def lives(self, cases: Sequence[SiteCase]) -> tuple[list[float], list[float], list[Spell]]:
        """Hours to failure, hours of those still running, and periods that ended without a case that says why."""
        failed, running, open_ = [], [], []
        ended = {spell.line for case in cases if (spell := self.spell_of(case)) is not None}
        for spell in self.spells:
            if spell.still_running:
                running.append(spell.hours)
            elif spell.line in ended:
                failed.append(spell.hours)
            else:
                open_.append(spell)
        return failed, running, open_


def read_fleet(path: Path, collection: Collection) -> Fleet:
    """Read the exposure and match its machines to those of the cases.

    Parameters
    ----------
    path
        Comma or semicolon separated, UTF-8. ``machine`` is ``site / tag``, the serial number, or the tag alone
        where only one machine of the cases has it.

    Raises
    ------
    InputError
        Every fault with its line and column: a missing column, a value that can't be read, periods that overlap, a
        tag that several machines have.
    """
    problems: list[Problem] = []
    rows = _rows(path, problems)
    names = _names(collection)
    spells = [s for line, row in rows if (s := _spell(path.name, line, row, names, problems)) is not None]
    problems += _overlaps(path.name, spells)
    if problems:
        raise InputError(problems)
    if not spells:
        raise InputError([Problem("holds no machine", file=path.name, remedy="Add a line a machine.")])
    return Fleet(tuple(spells), tuple(_notes(spells, collection)))


def _rows(path: Path, problems: list[Problem]) -> list[tuple[int, dict[str, str]]]:
    try:
        text = read_regular(path, TABLE_BYTES).decode("utf-8-sig")
    except OSError as fault:
        raise InputError([Problem(f"can't be read ({fault.strerror})", file=str(path))]) from None
    except UnicodeDecodeError:
        raise InputError([Problem("is not UTF-8", file=path.name, remedy="Save it as UTF-8.")]) from None
    first = text.partition("\n")[0]
    reader = csv.reader(text.splitlines(), delimiter=";" if first.count(";") > first.count(",") else ",")
    header = ["_".join(name.strip().casefold().split()) for name in next(reader, [])]
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        remedy = f"Columns: {', '.join(COLUMNS)}."
        raise InputError([Problem(f"lacks the column {', '.join(missing)}", file=path.name, row=1, remedy=remedy)])
    rows = []
    for values in reader:
        if not any(value.strip() for value in values):
            continue
        if len(values) != len(header):
            text = f"has {len(values)} fields, the header {len(header)}"
            problems.append(Problem(text, file=path.name, row=reader.line_num))
            continue
        rows.append((reader.line_num, dict(zip(header, (v.strip() for v in values), strict=True))))
    return rows


def _spell(
    file: str, line: int, row: Mapping[str, str], names: Mapping[str, set[str]], problems: list[Problem]
) -> Spell | None:
    faults: list[tuple[str, str]] = []
    begin, end = (_day(row[key], key, faults) for key in ("from", "to"))
    hours = _amount(row["hours"], "hours", faults)
    starts = _amount(row["starts"], "starts", faults) if row["starts"] else None
    word = row["still_running"].casefold()
    if word not in _YES | _NO:
        faults.append(("still_running", f"'{row['still_running']}' is neither yes nor no"))
    if begin is not None and end is not None and begin > end:
        faults.append(("to", "lies before from"))
    if begin is not None and end is not None and hours is not None and hours * 3600 * NS > end + _DAY_NS - begin:
        faults.append(("hours", f"{hours:g} hours do not fit between {row['from']} and {row['to']}"))
    key = _plain(row["machine"])
    known = names.get(key, set())
    if not key:
        faults.append(("machine", "is empty"))
    elif len(known) > 1:
        faults.append(("machine", f"'{row['machine']}' may be {' or '.join(sorted(known))}: write site / tag"))
    if faults or begin is None or end is None or hours is None:
        problems += [Problem(text, file=file, row=line, column=column) for column, text in faults]
        return None
    machine = next(iter(known), row["machine"].strip())
    return Spell(
        machine=machine, from_ns=begin, to_ns=end, hours=hours, starts=starts, still_running=word in _YES, line=line
    )


def _day(text: str, column: str, faults: list[tuple[str, str]]) -> int | None:
    try:
        stamp = datetime.fromisoformat(text)
    except ValueError:
        faults.append((column, f"'{text}' is no date: write it as 2031-03-14"))
        return None
    whole = stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)
    return round(whole.timestamp()) * NS


def _amount(text: str, column: str, faults: list[tuple[str, str]]) -> float | None:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < float("inf"):
        faults.append((column, f"'{text}' is no number of zero or more"))
        return None
    return value


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace("/", " / ").split())


def _names(collection: Collection) -> dict[str, set[str]]:
    """Words for a machine, and the machines that they may mean."""
    names: dict[str, set[str]] = {}
    for case in collection.cases:
        about = case.findings.case
        words = (case.machine, f"{about.site} / {about.machine_tag}", case.findings.machine.serial, about.machine_tag)
        for word in words:
            if _plain(word):
                names.setdefault(_plain(word), set()).add(case.machine)
    return names


def _overlaps(file: str, spells: Sequence[Spell]) -> list[Problem]:
    found = []
    ordered = sorted(spells, key=lambda s: (s.machine, s.from_ns))
    for first, second in itertools.pairwise(ordered):
        if first.machine == second.machine and second.from_ns < first.to_ns:
            text = f"the period of '{second.machine}' overlaps that of line {first.line}: hours would count twice"
            found.append(Problem(text, file=file, row=second.line, column="from"))
    return found


def _notes(spells: Sequence[Spell], collection: Collection) -> list[str]:
    fleet = Fleet(tuple(spells))
    outside = [c for c in collection.counted if c.failed and fleet.spell_of(c) is None]
    notes = [f"{c.name}: machine or time is not in the exposure, so it is in no rate" for c in outside]
    _, _, open_ = fleet.lives([c for c in collection.counted if c.failed])
    notes += [
        f"{s.machine}, line {s.line}: it ended and no case says why; left out of the lives, since to count it as "
        "running on would flatter them"
        for s in open_
    ]
    return notes
