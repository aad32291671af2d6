"""Which way the rotors turned after a stop or at a start, as far as a speed pick-up or a waveform measured it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.electrics.residual_voltage import residual_direction
from forensics.electrics.supply_record import supply_sequence
from forensics.machine.subject import Subject
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Outcome, Role

ALREADY_BACKWARDS = "the rotors already turned backwards before the current ended"
NEITHER = "This record can neither show nor exclude reverse rotation."


@dataclass(frozen=True, slots=True)
class Turned:
    """Direction of rotation: outcome, what measured it, lowest signed speed and how long it lasted."""

    outcome: Outcome
    basis: str | None = None
    rpm: float | None = None
    seconds: float | None = None
    why_not: str = ""


def after_stop(subject: Subject, off_ns: int, until_ns: int) -> Turned:
    """Reverse rotation after a stop as measured by a speed pick-up or by the residual voltage of a waveform.

    A pick-up that never shows a negative speed may be unsigned: then a speed that rises again after standstill, with
    no current, counts as reverse. Absent needs samples close enough that no reversal of ``coastdown.reverse_s`` fits
    between them.
    """
    speed = subject.record.fastest(Role.SHAFT_SPEED)
    if speed is not None and len(speed.trusted):
        measured = _by_speed(subject, speed.trusted, off_ns, until_ns)
        if measured.outcome is not Outcome.CANNOT_TELL or measured.why_not == ALREADY_BACKWARDS:
            return measured
    return _by_waveform(subject, off_ns)


def _by_speed(subject: Subject, speed: Samples, off_ns: int, until_ns: int) -> Turned:
    limits = subject.limits
    part = speed.between(off_ns, min(until_ns, off_ns + round(limits["coastdown.watch_s"] * NS)))
    if len(part) < 2:  # noqa: PLR2004 - one sample shows no course
        return Turned(Outcome.CANNOT_TELL, why_not="no speed samples after the stop")
    fast, still = limits["coastdown.reverse_rpm"], limits["coastdown.standing_rpm"]
    signed = bool(np.min(speed.v) < -still)
    turned = part.v
    if not signed:
        stood = np.maximum.accumulate(part.v < still)
        turned = np.where(stood, -part.v, part.v)
    before = speed.before(off_ns - NS, 10.0)
    if before is not None and before.value < -fast:
        return Turned(Outcome.CANNOT_TELL, why_not=ALREADY_BACKWARDS)
    lowest = float(np.min(turned))
    seconds = _longest_s(part.t, turned <= -fast, speed.interval_s)
    if seconds >= limits["coastdown.reverse_s"]:
        return Turned(Outcome.PRESENT, "measured", lowest, seconds)
    close = np.max(np.diff(part.t)) / NS <= limits["coastdown.reverse_s"]
    early = (int(part.t[0]) - off_ns) / NS <= limits["coastdown.reverse_s"]
    # the pick-up must have been alive: it has shown running speed
    alive = bool(np.max(np.abs(speed.v)) > fast)
    reached = bool(np.min(np.abs(part.v)) < still)
    if lowest > -still and close and early and alive and reached:
        return Turned(Outcome.ABSENT, "measured", lowest, 0.0)
    return Turned(Outcome.CANNOT_TELL, rpm=lowest, seconds=seconds, why_not="the speed shows no clear course")


def _longest_s(t: NDArray[np.int64], chosen: NDArray[np.bool_], interval_s: float) -> float:
    edge = np.diff(np.concatenate(([0], chosen.astype(np.int8), [0])))
    first, last = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    if not len(first):
        return 0.0
    one_s = interval_s if np.isfinite(interval_s) else 0.0
    return float(np.max((t[last] - t[first]) / NS + one_s))


def _by_waveform(subject: Subject, off_ns: int) -> Turned:
    for waveform in subject.record.waveforms:
        wide_s = subject.record.uncertainty_s(waveform.clock)
        if not np.isfinite(wide_s):
            continue
        slack = round((wide_s + subject.limits["coastdown.kind_tolerance_s"]) * NS)
        if not waveform.span.start_ns - slack <= off_ns <= waveform.span.end_ns + slack:
            continue
        found = residual_direction(waveform, subject.limits)
        if found.disconnected_s is None or found.outcome is Outcome.CANNOT_TELL:
            continue
        at = waveform.start_ns + round(found.disconnected_s * NS)
        if abs(at - off_ns) <= slack:
            return Turned(found.outcome, "measured", seconds=found.seconds)
    return Turned(Outcome.CANNOT_TELL, why_not=NEITHER)


def at_start(subject: Subject, on_ns: int, until_ns: int) -> Turned:
    """Whether the motor started backwards, as measured by a signed speed or the phase sequence of a waveform."""
    speed = subject.record.fastest(Role.SHAFT_SPEED)
    if speed is not None and len(speed.trusted):
        good = speed.trusted
        part = good.between(on_ns, min(until_ns, on_ns + 60 * NS))
        fast = subject.limits["coastdown.reverse_rpm"]
        signed = bool(np.min(good.v) < -fast / 2)
        if len(part) > 1:
            level = float(np.median(part.v))
            if level < -fast:
                return Turned(Outcome.PRESENT, "measured", level)
            if level > fast and signed:
                return Turned(Outcome.ABSENT, "measured", level)
    for waveform in subject.record.waveforms:
        wide_s = subject.record.uncertainty_s(waveform.clock)
        slack = round((wide_s + subject.limits["coastdown.kind_tolerance_s"]) * NS) if np.isfinite(wide_s) else -1
        if slack < 0 or not waveform.span.start_ns - slack <= on_ns <= waveform.span.end_ns:
            continue
        if supply_sequence(waveform, subject.limits).outcome is Outcome.PRESENT:
            return Turned(Outcome.PRESENT, "measured")
    return Turned(Outcome.CANNOT_TELL, why_not=NEITHER)
