"""Which pressures a stop can be read from: across the rotors, and of the high side behind the check valve."""

from __future__ import annotations

from dataclasses import dataclass

from forensics.machine.runs import apart_from_runs_s
from forensics.machine.stops.rotor_pressure import Difference, across_rotors, difference
from forensics.machine.subject import Subject
from forensics.model.vocabulary import Role

UNKNOWN_PLACE = "of the high-side pressure it is not known whether it is taken before or after the check valve"
BEHIND_VALVE = "the discharge pressure is taken after the check valve, which stands before its sensor"


@dataclass(frozen=True, slots=True)
class Pressures:
    """Differences to suction, each None with why where it can't be had.

    Attributes
    ----------
    rotors, high
        Discharge before the check valve, and the high side after it, less suction.
    """

    rotors: Difference | None
    high: Difference | None
    why_no_rotors: str
    why_no_high: str


def stop_pressures(subject: Subject) -> Pressures:
    """The pressures around stops, as far as their places and clocks are known."""
    record = subject.record
    no_suction = "no suction_pressure" if record.point(Role.SUCTION_PRESSURE) is None else ""
    place = UNKNOWN_PLACE if Role.HIGH_SIDE_PRESSURE in record.samples else ""
    rotors, high = across_rotors(subject), difference(subject, Role.CONDENSER_PRESSURE)
    why_rotors = no_suction or place or "no discharge_pressure before the check valve"
    why_high = no_suction or place or "no condenser_pressure after the check valve"
    if subject.machine.check_valve == "before-discharge-sensor":
        rotors, high, why_rotors = None, high or difference(subject, Role.DISCHARGE_PRESSURE), BEHIND_VALVE
    rotors, why_rotors = _timed(subject, rotors, why_rotors)
    high, why_high = _timed(subject, high, why_high)
    return Pressures(rotors, high, "" if rotors else why_rotors, "" if high else why_high)


def clock_error_s(subject: Subject, found: Difference) -> float:
    """How far the clock of the pressures and that of the runs may be apart, s."""
    return apart_from_runs_s(subject.record, found.upper.origin.clock)


def _timed(subject: Subject, found: Difference | None, why: str) -> tuple[Difference | None, str]:
    """A difference, unless its clock is known too little to hold it against stops; then why."""
    if found is None:
        return None, why
    apart_s = clock_error_s(subject, found)
    if apart_s <= max(subject.limits["coastdown.fast_interval_s"], found.interval_s):
        return found, why
    return None, f"the clock '{found.upper.origin.clock}' of the pressures is known to {apart_s:.0f} s only"
