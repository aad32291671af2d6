"""What a cell of a sequence profile says of a command: the small grammar of its words."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from forensics.rules.strict import refused

EITHER = "either"
PULSES = "pulses"
KINDS = ("off", "on", PULSES, EITHER)
MOTOR_KINDS = ("off", "on", EITHER)
MOST_PHASES = 3
GRAMMAR = "off, on, pulses, either; 'pulses or on' leaves a choice; 'off then on' keeps an order"

_SAID = {"off": "off", "on": "on", PULSES: "pulsing", EITHER: "either"}


@dataclass(frozen=True, slots=True)
class Cell:
    """What a command does in a state, phase by phase.

    Attributes
    ----------
    phases
        For each phase in order the ways of acting that are allowed: ``off``, ``on``, ``pulses``; all for either.
    """

    phases: tuple[frozenset[str], ...]

    @property
    def first(self) -> bool | None:
        """Whether it acts where the state begins; None where that is left open, or where it may pulse."""
        return _acts(self.phases[0])

    @property
    def last(self) -> bool | None:
        """Whether it acts where the state ends; None where that is left open, or where it may pulse."""
        return _acts(self.phases[-1])

    @property
    def pulses(self) -> bool:
        """Whether it is to pulse, or may where the cell says so by name."""
        return any(PULSES in phase and len(phase) < len(KINDS) - 1 for phase in self.phases)

    @property
    def free(self) -> bool:
        """Whether nothing is expected at all."""
        return all(len(phase) == len(KINDS) - 1 for phase in self.phases)

    @property
    def acts(self) -> bool:
        """Whether it has to act at some time of the state: in one phase at least it can't be off throughout."""
        return any("off" not in phase for phase in self.phases)

    @property
    def rests(self) -> bool:
        """Whether it has to be off throughout."""
        return all(phase == {"off"} for phase in self.phases)

    @property
    def in_words(self) -> str:
        """The cell as a sentence tells it."""
        if self.free:
            return _SAID[EITHER]
        return ", then ".join(_phase_words(phase) for phase in self.phases)


def _acts(phase: frozenset[str]) -> bool | None:
    return True if phase == {"on"} else False if phase == {"off"} else None


def _phase_words(phase: frozenset[str]) -> str:
    if len(phase) == len(KINDS) - 1:
        return _SAID[EITHER]
    return " or ".join(_SAID[kind] for kind in KINDS if kind in phase)


@cache
def read_cell(text: str) -> Cell:
    """Read the word of a cell that :func:`cell_fault` found nothing wrong with."""
    phases = []
    for part in text.split(" then "):
        kinds = {kind.strip() for kind in part.split(" or ")}
        phases.append(frozenset(KINDS) - {EITHER} if EITHER in kinds else frozenset(kinds))
    return Cell(tuple(phases))


def cell_fault(word: object, *, motor: bool = False) -> str:
    """What is wrong with the word of a cell, with the nearest that is known; empty where nothing is."""
    known = MOTOR_KINDS if motor else KINDS
    what = f"word for a cell ({GRAMMAR})"
    if not isinstance(word, str) or not word.strip():
        return refused(str(word), known, what)
    parts = word.split(" then ")
    if len(parts) > MOST_PHASES:
        return f"'{word}' has {len(parts)} phases; {MOST_PHASES} at most"
    before: frozenset[str] = frozenset()
    for part in parts:
        kinds = [kind.strip() for kind in part.split(" or ")]
        wrong = next((kind for kind in kinds if kind not in known), None)
        if wrong is not None:
            return refused(word if len(parts) == len(kinds) == 1 else wrong, known, what)
        if len(set(kinds)) != len(kinds) or (EITHER in kinds and len(kinds) > 1):
            return f"'{word}' names the same twice, or either beside another: {GRAMMAR}"
        if frozenset(kinds) == before:
            return f"'{word}' has two phases that are the same: {GRAMMAR}"
        before = frozenset(kinds)
    return ""
