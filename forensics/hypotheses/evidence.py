"""What is weighed, and what comes of it: plain frozen types."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from forensics.case.schema import Fact, Machine, Measurement, Observation
from forensics.hypotheses.modes import Modes
from forensics.model.findings import Finding, Ordered, Start, Stop
from forensics.model.points import Span
from forensics.model.record import LogLine
from forensics.model.vocabulary import Grade, Mode, Outcome, Role, VerdictStatus
from forensics.rules import Limits

Effect = Literal["holds", "weaker", "lost", "changed"]


@dataclass(frozen=True)
class Evidence:
    """All that a verdict may stand on.

    Attributes
    ----------
    findings
        One or more answers of every check of the catalogue.
    starts, stops
        Rows of the case, history included.
    failure_ns, window
        The failure and what is judged, ns UTC.
    points
        For each bound role the sample interval in s and the record type.
    sources
        Paths of the sources, for the question what rests on which.
    clock_uncertainty_s
        Half width of each clock's offset, s.
    order
        Provable order of named events, where it was worked out.
    log
        Lines of event lists: an alarm at the failure that nothing explains keeps a machine from being cleared.
    impossible
        Modes that the build of the machine can't have, each with the reason.
    voided
        Checks that say nothing of a mode on this build, by mode.
    tripped_on
        Quantities (``rules/trip_words.toml``) that the texts of the trip at the failure name; empty where none does.
    """

    findings: tuple[Finding, ...]
    starts: tuple[Start, ...]
    stops: tuple[Stop, ...]
    failure_ns: int
    window: Span
    modes: Modes
    limits: Limits
    machine: Machine
    polarity_confirmed: bool
    points: Mapping[Role, tuple[float, str]] = field(default_factory=dict)
    sources: tuple[str, ...] = ()
    clock_uncertainty_s: Mapping[str, float] = field(default_factory=dict)
    observations: tuple[Observation, ...] = ()
    measurements: tuple[Measurement, ...] = ()
    facts: tuple[Fact, ...] = ()
    order: tuple[Ordered, ...] = ()
    time_zone: str = "UTC"
    log: tuple[LogLine, ...] = ()
    impossible: Mapping[str, str] = field(default_factory=dict)
    voided: Mapping[str, frozenset[str]] = field(default_factory=dict)
    tripped_on: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Unlisted:
    """A cause that is not in the list: told with its decibans, without a grade, never in the lead."""

    decibans: float
    reason: str


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One mode with its grade and what the grade stands on.

    ``for_``, ``against`` and ``cannot_tell`` hold finding ids (and ``observation N`` / ``measurement N``, from 1),
    the heaviest first. ``capped_by`` says what kept the grade lower than the findings alone would have it.
    """

    mode: str
    grade: Grade
    for_: tuple[str, ...]
    against: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    next_test: str
    reason: str
    capped_by: tuple[str, ...] = ()
    decibans: float = 0.0
    plain: str = ""
    detail: str | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the case came to; ``mode`` and ``grade`` are None unless determined."""

    status: VerdictStatus
    mode: str | None
    grade: Grade | None
    also: tuple[str, ...]
    chain: tuple[str, ...]
    statement: str
    because: tuple[str, ...]
    against: tuple[str, ...]
    would_change_it: tuple[str, ...]
    plain: str = ""
    error_rate: None = None


@dataclass(frozen=True, slots=True)
class Observability:
    """Whether a mode could be seen with these points and intervals: ``yes``, ``partly`` or ``no``."""

    mode: str
    observable: str
    why: str
    unlocked_by: str


@dataclass(frozen=True, slots=True)
class Robustness:
    """What the verdict becomes when one thing is changed; ``flips`` is true for an effect of lost or changed."""

    changed: str
    verdict: str
    flips: bool
    effect: Effect = "holds"


@dataclass(frozen=True, slots=True)
class NextTest:
    """A test or a change of the logging, the modes that it splits, its caution, and what it does to the evidence."""

    test: str
    splits: tuple[str, ...]
    caution: str
    running: bool = False
    opens: bool = False
    changes_evidence: bool = False
    needs_notice: bool = False

    @property
    def non_destructive(self) -> bool:
        """Whether everything is afterwards as it was found."""
        return not (self.opens or self.changes_evidence or self.running)


@dataclass(frozen=True, slots=True)
class TeardownRow:
    """A physical finding against the data, or a data finding against the teardown."""

    what: str
    when: str
    by: str
    fits: tuple[str, ...]
    speaks_against: tuple[str, ...]
    data: tuple[str, ...]
    note: str


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the matrix modes x findings.

    Attributes
    ----------
    effect
        ``for``, ``against`` or ``cannot-tell``.
    full, points
        Decibans that the finding carries alone, by its amount, and that it adds beside the others.
    part
        ``full`` as a part of what the sign's word stands for.
    counted
        False where a heavier finding of the same effect already counted.
    group
        The effect that it shows.
    by_hand
        Whether it is an observation or a measurement.
    """

    mode: str
    finding: str
    check: str
    outcome: Outcome
    effect: str
    weight: str
    points: float
    counted: bool
    basis: str
    full: float = 0.0
    part: float = 1.0
    group: str = ""
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Weighing:
    """The whole outcome of weighing; ``strength`` holds, by finding, decibans for the mode it speaks for most."""

    hypotheses: tuple[Hypothesis, ...]
    verdict: Verdict
    observability: tuple[Observability, ...]
    robustness: tuple[Robustness, ...]
    next_tests: tuple[NextTest, ...]
    teardown: tuple[TeardownRow, ...]
    matrix: tuple[Cell, ...]
    tests_run: int
    unlisted: Unlisted
    strength: Mapping[str, float]

    def hypothesis(self, mode: str | Mode) -> Hypothesis:
        """The row of one mode."""
        return next(row for row in self.hypotheses if row.mode == str(mode))
