"""Rows of the public findings file on what the machine did: events, order, starts, stops, states, clocks."""

from __future__ import annotations

from typing import Literal

from forensics.model.vocabulary import (
    Answer,
    ClockMethod,
    Outcome,
    PreviousStop,
    Provable,
    State,
    StopKind,
)
from forensics.results.published import PublishedModel

Censored = Literal["below", "above"]


class ReadingRow(PublishedModel):
    """A reading held against an event, with its age."""

    value: float
    age_s: float


class EventRow(PublishedModel):
    """An edge of a switch as an interval, with readings before and after it."""

    earliest_utc: str
    latest_utc: str
    point: str
    to: Literal["on", "off", "unknown"]
    before: dict[str, ReadingRow]
    after: dict[str, ReadingRow]


class OrderRow(PublishedModel):
    """Order of two events."""

    a: str
    b: str
    order: Provable


class StartRow(PublishedModel):
    """One start; ``reverse_rotation`` is whether the motor ran backwards during it, not after the stop before it."""

    time_utc: str
    inrush_amps: float | None
    inrush_amps_low: float | None = None
    inrush_amps_high: float | None = None
    inrush_amps_censored: Censored | None = None
    settled_amps: float | None
    settled_amps_low: float | None = None
    settled_amps_high: float | None = None
    settled_amps_censored: Censored | None = None
    ratio: float | None
    low: float | None
    high: float | None
    ratio_censored: Censored | None = None
    unloaded: Answer
    reverse_rotation: Outcome
    previous_stop: PreviousStop


class UnloadedStartsRow(PublishedModel):
    """Share of unloaded starts with its Wilson interval."""

    count: int
    of: int
    cannot_tell: int
    fraction: float | None
    low: float | None
    high: float | None


class StopRow(PublishedModel):
    """One stop.

    ``x_low`` and ``x_high`` are the interval of ``x``. Where only a bound is known ``x`` is None and ``x_censored``
    says ``below`` (``x_high``) or ``above`` (``x_low``).

    Attributes
    ----------
    bypass_released
        None on a machine without an internal unloading valve.
    bypass_opened_s
        When that valve opened, s after the end of current.
    check_valve_area_ratio
        Leak area of the check valve over the area by which the discharge side empties.
    reverse_speed_rpm
        Backward speed that the gas can have given the rotors, by the pressures: median, least and most.
    """

    time_utc: str
    kind: StopKind
    reverse_rotation: Outcome
    reverse_basis: Literal["measured", "inferred"] | None
    bypass_released: Answer | None
    equal_at_motor_off: bool | None
    bypass_opened_s: float | None = None
    bypass_opened_s_low: float | None = None
    bypass_opened_s_high: float | None = None
    bypass_opened_s_censored: Censored | None = None
    check_valve_area_ratio: float | None = None
    check_valve_area_ratio_low: float | None = None
    check_valve_area_ratio_high: float | None = None
    check_valve_area_ratio_censored: Censored | None = None
    equalisation_time_constant_s: float | None = None
    equalisation_time_constant_s_low: float | None = None
    equalisation_time_constant_s_high: float | None = None
    equalisation_time_constant_s_censored: Censored | None = None
    high_side_decay_s: float | None = None
    high_side_decay_s_low: float | None = None
    high_side_decay_s_high: float | None = None
    high_side_decay_s_censored: Censored | None = None
    residual_difference_kpa: float | None = None
    residual_difference_kpa_low: float | None = None
    residual_difference_kpa_high: float | None = None
    residual_difference_kpa_censored: Censored | None = None
    reverse_speed_rpm: float | None = None
    reverse_speed_rpm_low: float | None = None
    reverse_speed_rpm_high: float | None = None
    reverse_speed_rpm_censored: Censored | None = None


class StateRow(PublishedModel):
    """One operating state."""

    state: State
    from_utc: str
    to_utc: str
    inferred: bool


class ClockRow(PublishedModel):
    """Offset of one clock (clock minus reference), with the half width of its interval."""

    clock: str
    offset_s: float | None
    uncertainty_s: float | None
    drift_ppm: float | None
    utc_error_s: float | None
    method: ClockMethod
    candidates_s: list[float]
