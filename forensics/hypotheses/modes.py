"""What each failure mode claims: the strict reading of ``rules/modes/*.toml``.

A mode is data. Its file names the chain from the initiating cause to the damage, the findings that speak for and
against it with a weight and a basis each, what it cannot do without, its look-alikes with the test that splits them,
inspections, action and caution. Reading refuses a mode that names an unknown finding, lacks a source or contradicts
itself, and lists every fault at once. A new mode is a new file: no code.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from forensics.errors import InputError, Problem
from forensics.machine.trip_words import trip_quantities
from forensics.model.vocabulary import Mode, Role
from forensics.rules import FOLDER, read_toml

WORDS = ("decisive", "strong", "moderate", "weak")
TRIP_NAMED = "sensors.trip_named"
Weight = Literal["decisive", "strong", "moderate", "weak"]
Text = Annotated[str, Field(min_length=1)]


def _tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


Texts = Annotated[tuple[Text, ...], BeforeValidator(_tuple)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Sign(_Strict):
    """One finding that speaks for or against a mode.

    ``effect`` groups findings that show the same thing twice: of one effect only the heaviest counts.
    """

    check: Text
    outcome: Literal["present", "absent"] = "present"
    weight: Weight
    effect: str = ""
    basis: Text

    @property
    def group(self) -> str:
        """The effect that the finding shows; the check itself where none is named."""
        return self.effect or self.check


class Required(_Strict):
    """Effects of which the mode shows at least one: all observable and all absent excludes it.

    ``late`` marks effects that come late or only with a gross fault: their absence excludes nothing.
    """

    any_: Texts = Field(alias="any", min_length=1)
    late: bool = False
    basis: Text


class Test(_Strict):
    """A test that a person may make, and what it does: nothing is assumed, each flag is given.

    Attributes
    ----------
    running
        The machine runs for it: never while a fault is live that a start would make worse, nor before the memory of
        the recorders is saved.
    opens
        Circuit or machine is opened.
    changes_evidence
        Something is not afterwards as it was found: a run moves the slide and overwrites memory.
    needs_notice
        Parties with an interest are told before (ASTM E860 by title).
    part
        The part that is looked at; an observation of that part that bears on the mode answers the test.
    """

    test: Text
    running: bool
    opens: bool
    changes_evidence: bool
    needs_notice: bool
    caution: Text
    part: str = ""


class LookAlike(Test):
    """Another mode that looks the same, and the test that splits the two."""

    mode: Text


class Inspection(Test):
    """An inspection or test that shows the cause itself."""


class Needs(_Strict):
    """A point, any of the roles named, and the longest interval with which the mode still shows."""

    roles: Annotated[tuple[Role, ...], BeforeValidator(_tuple), Field(min_length=1)]
    longest_interval_s: float | None = None


class FailureMode(_Strict):
    """One failure mode as its file gives it.

    ``needed_to_clear`` marks a mode that must have been open to view before a machine is called sound; any other must
    have been where its points were logged. ``ends_the_run`` marks one with which no motor runs on: a run that ended by
    its own sequence, or goes on, was not ended by it.
    ``stands_for`` names causes that the mode says of itself it does not separate: they are no rivals of it while they
    are not proven and something that could be seen speaks against them. ``running_harms``: no running test is proposed
    while it is live. ``trips`` names the quantities (``rules/trip_words.toml``) on which a protection may end a run
    with this mode, by itself or by what follows from it; none given: any may, or none has to. ``moves`` names those
    of them that the mode itself moves. ``not_yet_seen`` says why no check can see it yet.
    ``only_with`` names what a machine must have.
    """

    id: Text
    title: Text
    plain: str = ""
    chain: Texts = Field(min_length=1)
    leads_to: Texts = ()
    explains: Texts = ()
    needs: Annotated[tuple[Needs, ...], BeforeValidator(_tuple)] = ()
    for_: Annotated[tuple[Sign, ...], BeforeValidator(_tuple)] = Field(alias="for", default=())
    against: Annotated[tuple[Sign, ...], BeforeValidator(_tuple)] = ()
    required: Annotated[tuple[Required, ...], BeforeValidator(_tuple)] = ()
    look_alikes: Annotated[tuple[LookAlike, ...], BeforeValidator(_tuple)] = ()
    inspections: Annotated[tuple[Inspection, ...], BeforeValidator(_tuple)] = ()
    action: Text
    caution: Text
    source: Text
    physical: Texts = ()
    needed_to_clear: bool = False
    ends_the_run: bool = False
    stands_for: Texts = ()
    running_harms: bool = False
    trips: Texts | None = None
    moves: Texts = ()
    not_yet_seen: str = ""
    only_with: Literal["economiser", "drive", ""] = ""

    @property
    def checks(self) -> tuple[str, ...]:
        """Every check that the mode reads, in the order of its file, each once."""
        named = [sign.check for sign in (*self.for_, *self.against)]
        named += [check for need in self.required for check in need.any_]
        named += [] if self.trips is None else [TRIP_NAMED]
        return tuple(dict.fromkeys(named))


@dataclass(frozen=True, slots=True, repr=False)
class Modes:
    """All modes by id, and the checks that they were read against."""

    by_id: Mapping[str, FailureMode]

    def __iter__(self) -> object:
        return iter(self.by_id.values())

    def __getitem__(self, mode: str) -> FailureMode:
        return self.by_id[mode]

    @property
    def causes(self) -> tuple[FailureMode, ...]:
        """Every mode that blames the machine, its supply or its controls: all but ``none``."""
        return tuple(mode for mode in self.by_id.values() if mode.id != Mode.NONE)

    def consequences(self, mode: str) -> frozenset[str]:
        """Modes that can follow from one, as its file lists them: a chain of guesses is no consequence."""
        return frozenset(self.by_id[mode].leads_to)

    def explained(self, mode: str) -> frozenset[str]:
        """Checks whose presence follows from a mode: its own signs, what it explains, and its direct consequences."""
        rule = self.by_id[mode]
        found = set(rule.explains) | {sign.check for sign in rule.for_ if sign.outcome == "present"}
        for one in rule.leads_to:
            found |= {sign.check for sign in self.by_id[one].for_ if sign.outcome == "present"}
        return frozenset(found)


def read_modes(known_checks: Collection[str], folder: Path = FOLDER / "modes") -> Modes:
    """Read every mode file of a folder.

    Parameters
    ----------
    known_checks
        Ids of the catalogue of signatures: a mode may name no other.
    folder
        Where the files are; by default the modes that ship.

    Raises
    ------
    InputError
        Some file does not keep to the form, names an unknown finding or mode, lacks a source or contradicts itself;
        every fault of every file is listed.
    """
    return _read(frozenset(known_checks), folder)


@cache
def _read(known_checks: frozenset[str], folder: Path) -> Modes:
    problems: list[Problem] = []
    modes: dict[str, FailureMode] = {}
    for path in sorted(folder.glob("*.toml")):
        try:
            modes[path.stem] = FailureMode.model_validate({"id": path.stem, **read_toml(path)})
        except InputError as fault:
            problems.extend(fault.problems)
        except ValidationError as fault:
            for error in fault.errors():
                key = ".".join(str(part) for part in error["loc"])
                problems.append(Problem(error["msg"], file=f"modes/{path.name}", column=key))
    for mode in modes.values():
        faults = _faults(mode, known_checks, modes)
        problems.extend(Problem(fault, file=f"modes/{mode.id}.toml", remedy=remedy) for fault, remedy in faults)
    if problems:
        raise InputError(problems)
    return Modes(modes)


def _faults(mode: FailureMode, known: frozenset[str], modes: Mapping[str, FailureMode]) -> list[tuple[str, str]]:
    faults = [
        (f"names the finding '{check}', which no signature answers", "Take a check of the catalogue.")
        for check in (*mode.checks, *mode.explains)
        if check not in known
    ]
    others = (*mode.leads_to, *mode.stands_for, *(look.mode for look in mode.look_alikes))
    faults += [(f"names the mode '{other}', which has no file", "") for other in others if other not in modes]
    faults += [
        (f"trips on '{name}', which trip_words.toml does not know", "Take a quantity of that table.")
        for name in (*(mode.trips or ()), *mode.moves)
        if name not in trip_quantities()
    ]
    if mode.id in others:
        faults.append(("names itself as its own consequence or look-alike", "Take it out."))
    return faults + _contradictions(mode)


def _contradictions(mode: FailureMode) -> list[tuple[str, str]]:
    speaks_for = [(sign.check, sign.outcome) for sign in mode.for_]
    speaks_against = [(sign.check, sign.outcome) for sign in mode.against]
    faults = [
        (f"'{check}' {outcome} speaks both for and against it", "Leave one of the two.")
        for check, outcome in sorted(set(speaks_for) & set(speaks_against))
    ]
    for told, word in ((speaks_for, "for"), (speaks_against, "against")):
        twice = sorted({one for one in told if told.count(one) > 1})
        faults += [(f"'{check}' {outcome} is named twice under '{word}'", "") for check, outcome in twice]
    for need in mode.required:
        faults += [
            (f"requires '{check}' and counts its presence against itself", "Leave one of the two.")
            for check in need.any_
            if (check, "present") in speaks_against
        ]
        faults += [
            (f"requires '{check}' and counts its absence in its favour", "Leave one of the two.")
            for check in need.any_
            if (check, "absent") in speaks_for
        ]
    if mode.id != Mode.NONE and not mode.not_yet_seen:
        if not any(sign.outcome == "present" and sign.weight in WORDS[:2] for sign in mode.for_):
            faults.append(("has no strong finding of its own: elimination alone never makes a cause", ""))
        if not mode.required:
            faults.append(("requires nothing, so nothing could ever exclude it", "Name an effect it can't do without."))
        if not mode.inspections:
            faults.append(("has no inspection that would show the cause", ""))
    return faults
