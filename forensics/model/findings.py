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
    detectable
        The smallest effect that would have been seen, in ``unit`` on the scale of ``value``; None where not known.
    reason
        For cannot-tell: a code with roles, beside the words of ``why_not``.
    usual
        The value of no change, in ``unit``, where it was held against the machine's own usual; else None.
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
    detectable: float | None = None
    reason: str = ""
    usual: float | None = None


@dataclass(frozen=True, slots=True)
class Start:
    """One start. It begins where current begins.

    ``time_ns`` is the best estimate, ``earliest_ns`` and ``latest_ns`` its interval. ``settled_from_ns`` and
    ``settled_to_ns`` bound the samples of the settled amps; ``settled_ended_by`` says what ended them. ``ratio_from``
    names the role that the ratio was computed from where it was not amps; ``judged_why`` says why something else than
    the amps decided, where it did. ``shaft_load`` is the interval of the shaft power over rated by the motor's
    equivalent circuit, None where its no-load amps are not known. Each number ``x`` has its interval ``x_low`` to
    ``x_high``; where only a bound is known ``x`` is None and ``x_censored`` says ``below`` (``x_high``) or ``above``
    (``x_low``). The interval of ``ratio`` is ``low`` to ``high``.
    ``reverse_rotation`` is whether the motor ran backwards during this start; what the rotors did after the stop before
    it stands with that stop.
    """

    time_ns: int
    earliest_ns: int
    latest_ns: int
    inrush_amps: float | None = None
    inrush_low: float | None = None
    inrush_high: float | None = None
    inrush_censored: str = ""
    settled_amps: float | None = None
    settled_low: float | None = None
    settled_high: float | None = None
    settled_censored: str = ""
    ratio: float | None = None
    low: float | None = None
    high: float | None = None
    ratio_censored: str = ""
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
class Bounds:
    """A number with its interval; ``value`` is None where only bounds are known.

    ``censored`` is ``below`` where only ``high`` bounds it, ``above`` where only ``low`` does, else empty.
    """

    value: float | None
    low: float | None
    high: float | None
    censored: str = ""


_Z95 = 1.96


def _about(value: float | None, error: float) -> Bounds | None:
    return None if value is None else Bounds(value, value - error, value + error)


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop. It ends where the current ends, whatever the command says.

    ``reverse_basis`` is ``measured``, ``inferred`` or None; ``power_lost`` tells a loss of supply from another trip.
    ``bypass_released`` is None on a machine without such a valve. ``bypass_opened_s`` counts from the end of current;
    ``check_valve_area`` is the leak area over that by which the discharge side empties; ``reverse_speed_rpm`` is what
    the gas can have given the rotors; ``share_released`` is what of the lift was left seconds after the valve was due.
    """

    time_ns: int
    earliest_ns: int
    latest_ns: int
    kind: StopKind = StopKind.NORMAL
    power_lost: bool = False
    cause_text: str = ""
    reverse_rotation: Outcome = Outcome.CANNOT_TELL
    reverse_basis: str | None = None
    bypass_released: Answer | None = Answer.CANNOT_TELL
    bypass_opened_s: Bounds | None = None
    share_released: Bounds | None = None
    equal_at_motor_off: bool | None = None
    equalisation_time_constant_s: float | None = None
    equalisation_s: Bounds | None = None
    high_side_decay_s: float | None = None
    high_side_decay_error_s: float | None = None
    residual_difference_kpa: float | None = None
    residual_error_kpa: float | None = None
    follow_share: Bounds | None = None
    check_valve_area: Bounds | None = None
    high_side_gone: bool = False
    reverse_speed_rpm: Bounds | None = None
    difference_at_stop_kpa: float | None = None
    slide_percent: float | None = None
    amps_before: float | None = None
    ran_s: float | None = None
    why_not: Mapping[str, str] = field(default_factory=dict)
    in_window: bool = True
    cites: tuple[Cite, ...] = ()

    @property
    def bounded(self) -> Mapping[str, Bounds]:
        """Every number of the stop with its interval, by its public name; what was not had is left out."""
        decay, residual = self.high_side_decay_s, self.residual_difference_kpa
        found = {
            "bypass_opened_s": self.bypass_opened_s,
            "check_valve_area_ratio": self.check_valve_area,
            "equalisation_time_constant_s": self.equalisation_s,
            "high_side_decay_s": _about(decay, _Z95 * (self.high_side_decay_error_s or 0.0)),
            "residual_difference_kpa": _about(residual, self.residual_error_kpa or 0.0),
            "reverse_speed_rpm": self.reverse_speed_rpm,
        }
        return {name: bounds for name, bounds in found.items() if bounds is not None}

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
