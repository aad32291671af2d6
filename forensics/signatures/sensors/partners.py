"""What must move with a reading that left what is expected: partners, each with the share that it took of its part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.duty.baseline import HIGH_SIDE, AlignedSamples, Floats, Mask, duty_of
from forensics.machine.duty.expected import Expected, Terms, expected_of
from forensics.machine.subject import Subject
from forensics.model.vocabulary import Role
from forensics.stats.robust_fit import Estimate


@dataclass(frozen=True)
class Partner:
    """A reading that must follow: its deviation over what it must be at least; negative on the wrong side."""

    role: Role
    share: float
    vouches_only: bool = False


@dataclass(frozen=True)
class Move:
    """By how much a reading left its own usual at the end of the failing run, K, and the samples it rests on."""

    size_k: float
    at: Mask


def expected_at_duty(
    subject: Subject, frame: AlignedSamples, reading: Floats, effect: float, *, lift: bool
) -> Expected:
    """What is expected of a reading, with the effect that matters, in its unit."""
    duties = duty_of(subject, frame, lift=lift)
    return expected_of(subject, frame, reading, duties, Terms(effect, frame.step_s))


def blocks_of(found: Expected, at: Mask) -> Mask:
    """Blocks that hold any of the samples."""
    chosen = np.zeros(len(found.blocks.t), dtype=bool)
    chosen[found.blocks.of[at]] = True
    return chosen


def deviation_over(
    subject: Subject, frame: AlignedSamples, reading: Floats, at: Mask, effect: float, *, lift: bool
) -> Estimate | None:
    """Deviation from what is expected over some samples, with its interval; None where it is not known."""
    found = expected_at_duty(subject, frame, reading, effect, lift=lift)
    return None if found.why_not else found.over(blocks_of(found, at))


def partner(
    subject: Subject,
    frame: AlignedSamples,
    move: Move,
    role: Role,
    least: float,
    *,
    lift: bool,
    vouches_only: bool = False,
) -> Partner | None:
    """A partner with the share that it took of what it must; None where its interval would hide the move."""
    reading = frame.of(role)
    return (
        None
        if reading is None
        else _follows(subject, frame, move, role, reading, least, lift=lift, vouches_only=vouches_only)
    )


def _follows(
    subject: Subject,
    frame: AlignedSamples,
    move: Move,
    role: Role,
    reading: Floats,
    least: float,
    *,
    lift: bool,
    vouches_only: bool = False,
) -> Partner | None:
    if not abs(least) > 0:
        return None
    estimate = deviation_over(subject, frame, reading, move.at, abs(least), lift=lift)
    if estimate is None or estimate.half_width >= abs(least):
        return None
    return Partner(role, estimate.value / least, vouches_only)


def current_partner(subject: Subject, frame: AlignedSamples, move: Move, least_share: float) -> Partner | None:
    """Power, else current, over its own median: ``least_share`` is the least change of it, with its sign."""
    if frame.of(Role.SLIDE_POSITION) is None:
        return None
    for role in (Role.MOTOR_POWER, Role.MOTOR_AMPS):
        reading = frame.of(role)
        usual = float(np.nanmedian(reading[frame.settled])) if reading is not None and frame.settled.any() else 0.0
        if reading is not None and usual > 0:
            return partner(subject, frame, move, role, least_share * usual, lift=False)
    return None


def water_partner(subject: Subject, frame: AlignedSamples, move: Move, least_share: float) -> Partner | None:
    """Cooling of the chilled water: ``least_share`` is the least change of it, with its sign."""
    entering, leaving = frame.of(Role.CHILLED_WATER_ENTERING), frame.of(Role.CHILLED_WATER_LEAVING)
    if entering is None or leaving is None or not frame.settled.any():
        return None
    fall = entering - leaving
    least = least_share * float(np.nanmedian(fall[frame.settled]))
    return _follows(subject, frame, move, Role.CHILLED_WATER_ENTERING, fall, least, lift=False)


def feed_partner(subject: Subject, frame: AlignedSamples, move: Move, least_share: float) -> Partner | None:
    """Oil difference of a pressure-fed machine: it stays a fixed share of lift, and follows a lift that is true."""
    difference, feed = frame.of(Role.OIL_PRESSURE_DIFFERENCE), frame.of(Role.OIL_PRESSURE)
    suction = frame.of(Role.SUCTION_PRESSURE)
    role = Role.OIL_PRESSURE_DIFFERENCE if difference is not None else Role.OIL_PRESSURE
    if difference is None and feed is not None and suction is not None:
        difference = feed - suction
    if difference is None or subject.machine.oil_pump or not frame.settled.any():
        return None
    least = least_share * float(np.nanmedian(difference[frame.settled]))
    # a feed whose kind is not told may be a pump's: it may follow, but need not
    return _follows(
        subject, frame, move, role, difference, least, lift=False, vouches_only=subject.machine.oil_pump is None
    )


def lift_before_kpa(frame: AlignedSamples, moved_kpa: float, move: Move) -> float:
    """Pressure lift before the move, kPa, at least 1."""
    high, low = frame.of(*HIGH_SIDE), frame.of(Role.SUCTION_PRESSURE)
    if high is None or low is None or not np.isfinite(high[move.at] - low[move.at]).any():
        return float("inf")
    return max(float(np.nanmedian(high[move.at] - low[move.at])) - moved_kpa, 1.0)
