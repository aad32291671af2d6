"""The result types: what a detector answers, and the rows of starts, stops, events and states.

Everything here is frozen and plain, so that it can be stored, graded again from stored values, and written as
findings.json.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from forensics.model.points import Reading
from forensics.model.vocabulary import Answer, Outcome, PreviousStop, Provable, Role, StopKind


@dataclass(frozen=True, slots=True)
class Cite:
    """Rows of a source that a value rests on: both ends included."""

    source: str
    column: str
    rows: tuple[int, int]


DOES_NOT_APPLY = "does-not-apply"
"""The build makes the question meaningless."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a finding does not tell, as a code with the roles that it is about."""

    code: str
    roles: tuple[Role, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """The answer of one detector.

    Attributes
    ----------
    id
        Unique in the case: the check's id, or ``check@n`` where a check answers several times.
    check
        Id in the catalogue, ``family.name``.
    value, low, high, unit
        What was measured, with its interval (sensor accuracy, sampling, spread).
    limit, limit_name, above
        The limit it was held against, its name in the rules, and whether *present* means above it (True), below
        it (False) or has no limit (None).
    samples
        Number of independent samples (or starts, stops, holds) that the outcome rests on. One caps a grade.
    rests_on_commands
        True where the outcome needs the valve polarity of the sequence profile.
    cross_clock
        Clocks whose relation matters to the outcome (empty where one clock stamped all).
    why_not
        For cannot-tell: what is missing.
    unlocked_by
        For cannot-tell: the cheapest change of the logging that would let it answer.
    reason
        For cannot-tell: the reason as a code with roles, where it is more than what ``why_not`` says in words.
    """

    id: str
    check: str
    outcome: Outcome
    statement: str
    from_ns: int | None = None
    to_ns: int | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    limit: float | None = None
    limit_name: str = ""
    above: bool | None = None
    basis: str = ""
    cites: tuple[Cite, ...] = ()
    sample_interval_s: float | None = None
    samples: int = 0
    rests_on_commands: bool = False
    cross_clock: tuple[str, ...] = ()
    why_not: str = ""
    unlocked_by: str = ""
    reason: Reason | None = None


@dataclass(frozen=True, slots=True)
class Start:
    """One start. It begins where current begins.

    ``time_ns`` is the best estimate, ``earliest_ns`` and ``latest_ns`` its interval. ``settled_from_ns`` and
    ``settled_to_ns`` bound the samples of the settled amps; ``settled_ended_by`` says what ended them. ``ratio_from``
    names the role that the ratio was computed from where it was not amps; ``judged_why`` says why something else than
    the amps decided, where it did. ``shaft_load`` is the interval of the shaft power over rated by the motor's
    equivalent circuit, None where its no-load amps are not known.
    """

    time_ns: int
    earliest_ns: int
    latest_ns: int
    inrush_amps: float | None = None
    settled_amps: float | None = None
    ratio: float | None = None
    low: float | None = None
    high: float | None = None
    unloaded: Answer = Answer.CANNOT_TELL
    ratio_from: str = ""
    judged_by: str = ""
    judged_why: str = ""
    shaft_load: tuple[float, float] | None = None
    why_not: str = ""
    reverse_rotation: Outcome = Outcome.CANNOT_TELL
    previous_stop: PreviousStop = PreviousStop.UNKNOWN
    off_s: float | None = None
    ran_s: float | None = None
    slide_percent: float | None = None
    settled_from_ns: int | None = None
    settled_to_ns: int | None = None
    settled_ended_by: str = ""
    settled_samples: int = 0
    in_window: bool = True
    cites: tuple[Cite, ...] = ()


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop. It ends where the current ends, whatever the command says.

    ``reverse_basis`` is ``measured``, ``inferred`` or None; ``power_lost`` tells a loss of supply from another trip.
    """

    time_ns: int
    earliest_ns: int
    latest_ns: int
    kind: StopKind = StopKind.NORMAL
    power_lost: bool = False
    cause_text: str = ""
    reverse_rotation: Outcome = Outcome.CANNOT_TELL
    reverse_basis: str | None = None
    bypass_released: Answer = Answer.CANNOT_TELL
    equal_at_motor_off: bool | None = None
    equalisation_time_constant_s: float | None = None
    equalisation_error_s: float | None = None
    high_side_decay_s: float | None = None
    high_side_decay_error_s: float | None = None
    residual_difference_kpa: float | None = None
    residual_error_kpa: float | None = None
    difference_at_stop_kpa: float | None = None
    slide_percent: float | None = None
    amps_before: float | None = None
    ran_s: float | None = None
    why_not: Mapping[str, str] = field(default_factory=dict)
    in_window: bool = True
    cites: tuple[Cite, ...] = ()

    @property
    def as_previous(self) -> PreviousStop:
        """As the start after it sees it."""
        if self.power_lost:
            return PreviousStop.POWER_LOSS
        return PreviousStop.TRIP if self.kind is StopKind.TRIP else PreviousStop.NORMAL


@dataclass(frozen=True, slots=True)
class SwitchEvent:
    """An edge of a switch with readings before and after it, each with its age."""

    earliest_ns: int
    latest_ns: int
    role: Role
    to: int
    before: Mapping[Role, Reading]
    after: Mapping[Role, Reading]
    source: str = ""
    column: str = ""
    row: int = 0


@dataclass(frozen=True, slots=True)
class Ordered:
    """Order of two named events, provable or not."""

    a: str
    b: str
    order: Provable


@dataclass(frozen=True, slots=True)
class Share:
    """Share of unloaded starts among those that could be judged, with its Wilson interval."""

    count: int
    of: int
    cannot_tell: int
    fraction: float | None
    low: float | None
    high: float | None
