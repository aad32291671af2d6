"""Was it too hot: discharge gas, oil, winding, and the thermal image of the motor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.findings import Finding
from forensics.record import NS, Samples, Span
from forensics.signatures.base import Detector, Subject, cannot_tell
from forensics.signatures.duty import (
    Floats,
    Times,
    cite,
    duty_of,
    frame_of,
    own_usual,
    runs_of,
    trusted,
)
from forensics.signatures.judge import Look, against_limit, against_own, own_then_level, unready
from forensics.vocabulary import Outcome, Recorded, Role

_DISCHARGE = ((Role.DISCHARGE_TEMPERATURE,),)
_BLOCK_TIME_CONSTANTS = 300.0
_LOOK_BACK_S = 7 * 86_400.0
_FINE_INTERVAL_S = 10.0
_MANY_STARTS = 2
_RECENT_S = 600.0
_DAY_PART_S = 7200.0
_RUNNING = 0.1
_WARMING_S = 60
_JUMP_LOOK_S = 900


def discharge_temperature_climbs(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether discharge temperature rose above the machine's own usual at like duty, over several samples.

    A rise that comes within one sample is a sensor's, and is left open.
    """
    check = "heat.discharge_temperature_climbs"
    if (answer := unready(subject, check, saturation=False)) is not None:
        return (answer,)
    frame = frame_of(subject)
    reading = frame.of(Role.DISCHARGE_TEMPERATURE)
    if reading is None:
        return (cannot_tell(check, "no trusted discharge temperature"),)
    look = Look(
        check,
        reading,
        "K",
        "discharge temperature",
        "heat.discharge_climb",
        above=True,
        lasting="heat.discharge_climb_lasting",
        groups=_DISCHARGE,
    )
    usual = own_usual(subject, frame, reading, *duty_of(subject, frame, lift=True))
    finding = against_own(subject, frame, look, usual, frame.settled | frame.in_failing_run)
    if finding.outcome is Outcome.PRESENT and finding.from_ns is not None:
        point = frame.points[Role.DISCHARGE_TEMPERATURE]
        if _jumped(subject, point, Span(finding.from_ns - _WARMING_S * NS, finding.from_ns + NS)):
            why = "the rise came within one sample: no gas line heats so fast"
            return (replace(finding, outcome=Outcome.CANNOT_TELL, why_not=why),)
    return (finding,)


def _jumped(subject: Subject, point: Samples, span: Span) -> bool:
    """Whether a temperature jumped within one sample, where samples are close enough for that to mean something."""
    if point.interval_s > _FINE_INTERVAL_S:
        return False
    good = trusted(point)
    low, high = np.searchsorted(good.t, [span.start_ns, span.end_ns])
    part = good.v[max(int(low) - 1, 0) : int(high) + 1]
    steps = np.diff(part)
    gaps_s = np.diff(good.t[max(int(low) - 1, 0) : int(high) + 1]) / NS
    return bool(np.any((steps > subject.limits["heat.one_sample_jump"]) & (gaps_s <= _FINE_INTERVAL_S)))


def discharge_temperature_high_at_failure(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the last discharge temperatures before the failure lay above the limit."""
    check = "heat.discharge_temperature_high_at_failure"
    if (answer := unready(subject, check, saturation=False)) is not None:
        return (answer,)
    limits, frame = subject.limits, frame_of(subject)
    point = frame.points.get(Role.DISCHARGE_TEMPERATURE)
    if point is None or frame.failing < 0:
        why = "no trusted discharge temperature" if point is None else "the machine stood at the failure"
        return (cannot_tell(check, why),)
    span = frame.spans[frame.failing]
    end_ns = min(span.end_ns, subject.record.failure_ns)
    step_s = point.interval_s if np.isfinite(point.interval_s) else 0.0
    part = point.between(max(span.start_ns, end_ns - round(max(30.0, 2.5 * step_s) * NS)), end_ns)
    if not len(part) and point.origin.recorded is Recorded.CHANGE:
        held = point.before(end_ns)
        part = point.between(int(point.usable.t[held.index]), end_ns) if held is not None else part
    if not len(part):
        return (cannot_tell(check, "no discharge temperature just before the run that failed ended"),)
    limit = limits["heat.discharge_high"]
    value = float(np.median(part.v))
    near = value > limit * limits["heat.discharge_near"]
    outcome = Outcome.PRESENT if value > limit else Outcome.CANNOT_TELL if near else Outcome.ABSENT
    why_not = "too near the limit to be called normal" if outcome is Outcome.CANNOT_TELL else ""
    began_ns = max(span.start_ns + _WARMING_S * NS, end_ns - _JUMP_LOOK_S * NS)
    if _jumped(subject, point, Span(min(began_ns, end_ns), end_ns)):
        outcome, why_not = Outcome.CANNOT_TELL, "it jumped within one sample: no gas line heats so fast"
    first, last = int(part.t[0]), int(part.t[-1])
    return (
        Finding(
            id=check,
            check=check,
            outcome=outcome,
            statement=f"Discharge temperature {value:.1f} degC just before the run that failed ended "
            f"(limit {limit:.0f} degC).",
            from_ns=first,
            to_ns=last,
            value=value,
            low=float(part.v.min()),
            high=float(part.v.max()),
            unit="degC",
            limit=limit,
            limit_name="heat.discharge_high",
            above=True,
            basis=limits.basis("heat.discharge_high"),
            cites=cite(point, first, last),
            sample_interval_s=step_s,
            samples=len(part),
            why_not=why_not,
        ),
    )


def injection_without_effect(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether liquid injection was called for minutes and discharge temperature did not fall."""
    check = "heat.injection_without_effect"
    if (answer := unready(subject, check, saturation=False)) is not None:
        return (answer,)
    limits, frame, record = subject.limits, frame_of(subject), subject.record
    point, switch = frame.points.get(Role.DISCHARGE_TEMPERATURE), record.switch(Role.INJECTION_SOLENOID)
    if point is None or switch is None:
        return (cannot_tell(check, "no trusted discharge temperature"),)
    within = Span(record.window.start_ns, min(record.window.end_ns, record.failure_ns))
    calls = [
        part
        for on in switch.on_spans[-_MOST_CALLS:]
        if (clip := on.overlap(within)) is not None
        for run in frame.spans
        if (part := clip.overlap(run)) is not None and part.seconds >= limits["heat.injection_on"]
    ]
    falls = [(call, *_fall(point, call)) for call in calls]
    falls = [(call, fall, n) for call, fall, n in falls if n > 0]
    if not falls:
        return (cannot_tell(check, "injection was not called for long enough while the machine ran"),)
    call, value, count = falls[-1]
    limit = limits["heat.injection_fall"]
    return (
        Finding(
            id=check,
            check=check,
            outcome=Outcome.PRESENT if value < limit else Outcome.ABSENT,
            statement=f"In the last of {len(falls)} calls for injection ({call.seconds:.0f} s) discharge temperature "
            f"{'fell' if value >= 0 else 'rose'} by {abs(value):.1f} K (a fall of {limit:g} K shows it at work).",
            from_ns=call.start_ns,
            to_ns=call.end_ns,
            value=value,
            unit="K",
            limit=limit,
            limit_name="heat.injection_fall",
            above=False,
            basis=limits.basis("heat.injection_fall"),
            cites=cite(point, call.start_ns, call.end_ns) + cite(switch, call.start_ns, call.end_ns),
            sample_interval_s=max(point.interval_s, switch.interval_s),
            samples=count,
        ),
    )


_MOST_CALLS = 200


def _fall(point: Samples, call: Span) -> tuple[float, int]:
    """Fall of a temperature from the first third of a call to its end; and how many readings it rests on."""
    part = point.between(call.start_ns, call.end_ns)
    if len(part) < _FEWEST:
        return 0.0, 0
    third = max(1, len(part) // 3)
    return float(np.max(part.v[:third]) - np.median(part.v[-third:])), len(part)


_FEWEST = 3


def winding_hot(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether winding temperature stayed above the limit in the window up to the failure."""
    check = "heat.winding_hot"
    if (answer := unready(subject, check, saturation=False)) is not None:
        return (answer,)
    frame = frame_of(subject)
    reading = frame.of(Role.WINDING_TEMPERATURE)
    if reading is None:
        return (cannot_tell(check, "no trusted winding temperature"),)
    look = Look(
        check,
        reading,
        "degC",
        "winding temperature",
        check,
        above=True,
        lasting="heat.winding_lasting",
        groups=((Role.WINDING_TEMPERATURE,),),
    )
    return (against_limit(subject, frame, look, np.ones(len(frame.t), dtype=bool)),)


def oil_hot(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether oil temperature stayed above the limit, or above the machine's own usual at like duty."""
    check = "heat.oil_hot"
    if (answer := unready(subject, check, saturation=False)) is not None:
        return (answer,)
    frame = frame_of(subject)
    reading = frame.of(Role.OIL_TEMPERATURE)
    if reading is None:
        return (cannot_tell(check, "no trusted oil temperature"),)
    level = Look(
        check,
        reading,
        "degC",
        "oil temperature",
        check,
        above=True,
        lasting="heat.oil_lasting",
        groups=((Role.OIL_TEMPERATURE,),),
    )
    own = replace(level, unit="K", limit_name="heat.oil_rise")
    usual = own_usual(subject, frame, reading, *duty_of(subject, frame, lift=True))
    return (
        own_then_level(
            against_own(subject, frame, own, usual), against_limit(subject, frame, level), level_excludes=True
        ),
    )


def thermal_image(
    t: Times, current: Floats, time_constant_s: Floats, first: float, *, factor: float, rated: float
) -> Floats:
    """Thermal image of a motor by IEC 60255-149 (from memory): the equivalent temperature, 1 at the limit.

    Between samples the current holds, so that each step is exact:
    ``H[k+1] = H_end + (H[k] - H_end) exp(-dt/tau)`` with ``H_end = (I / (k I_rated))^2``.

    Parameters
    ----------
    t
        ns, shape (n,).
    current
        A, shape (n,); each holds until the next sample.
    time_constant_s
        For the step that begins at each sample, shape (n,).
    first
        State at the first sample.

    Returns
    -------
    ndarray
        State at each sample, shape (n,).
    """
    n = len(t)
    if n == 0:
        return np.empty(0)
    steps = np.diff(t) / NS / time_constant_s[:-1]
    end = (current[:-1] / (factor * rated)) ** 2
    gain = -np.expm1(-steps) * end
    out = np.empty(n)
    out[0] = first
    elapsed = np.concatenate(([0.0], np.cumsum(steps)))
    begin = 0
    # closed form of the recursion; in blocks, so that the growing exponential stays inside a double
    while begin < n - 1:
        stop = int(np.searchsorted(elapsed, elapsed[begin] + _BLOCK_TIME_CONSTANTS, side="right"))
        stop = min(max(stop, begin + 2), n)
        grown = elapsed[begin + 1 : stop] - elapsed[begin]
        if grown[0] > _BLOCK_TIME_CONSTANTS:
            out[begin + 1] = end[begin]
        else:
            inside = np.cumsum(gain[begin : stop - 1] * np.exp(grown))
            out[begin + 1 : stop] = (out[begin] + inside) * np.exp(-grown)
        begin = stop - 1
    return out


def thermal_capacity_used(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the motor's thermal image reached the limit in the ten minutes before the failure.

    The time constants are defaults, so the image is also taken with those of a fast and of a slow protection: the
    interval. Present where the image itself reaches the limit, absent where it does not with any of them.
    """
    check = "heat.thermal_capacity_used"
    if (answer := unready(subject, check, saturation=False)) is not None:
        return (answer,)
    limits, rated = subject.limits, subject.machine.rated_load_amps
    if rated is None:
        return (cannot_tell(check, "no machine.rated_load_amps", unlocked_by="give machine.rated_load_amps"),)
    point = next(p for r in (Role.MOTOR_AMPS, Role.AMPS_A) if (p := subject.record.point(r)) is not None)
    end_ns = min(subject.record.failure_ns + NS, subject.record.window.end_ns)
    amps = trusted(point).between(end_ns - round(_LOOK_BACK_S * NS), end_ns)
    recent = amps.t >= end_ns - round(_RECENT_S * NS)
    if len(amps) < _FEWEST or not recent.any():
        return (cannot_tell(check, "no amps just before the failure"),)
    scales = (1.0, limits["heat.thermal_fast"], limits["heat.thermal_slow"])
    values = [_image(limits["heat.thermal_factor"], rated, amps, _constants(subject, x), recent) for x in scales]
    value, low, high = values[0], min(values), max(values)
    limit = limits["heat.thermal_used"]
    outcome = Outcome.PRESENT if value >= limit else Outcome.CANNOT_TELL if high >= limit else Outcome.ABSENT
    why_not = "with other time constants it would reach the limit" if outcome is Outcome.CANNOT_TELL else ""
    blind = amps.interval_s > _FINE_INTERVAL_S and _starts_near(subject, end_ns) > _MANY_STARTS
    if outcome is Outcome.ABSENT and blind:
        outcome, why_not = Outcome.CANNOT_TELL, f"samples every {amps.interval_s:g} s don't show the inrush of starts"
    return (
        Finding(
            id=check,
            check=check,
            outcome=outcome,
            statement=f"Thermal image of the motor {value:.0%} of the limit before the failure "
            f"({low:.0%} to {high:.0%} with time constants from {scales[1]:g} to {scales[2]:g} of the default).",
            from_ns=int(amps.t[recent][0]),
            to_ns=int(amps.t[-1]),
            value=value,
            low=low,
            high=high,
            unit="1",
            limit=limit,
            limit_name="heat.thermal_used",
            above=True,
            basis=limits.basis("heat.thermal_used"),
            cites=cite(point, int(amps.t[recent][0]), int(amps.t[-1])),
            sample_interval_s=amps.interval_s if np.isfinite(amps.interval_s) else None,
            samples=int(recent.sum()),
            why_not=why_not,
        ),
    )


def _constants(subject: Subject, factor: float) -> tuple[float, float]:
    limits = subject.limits
    return limits["heat.thermal_heating"] * factor, limits["heat.thermal_cooling"] * factor


def _image(
    factor: float,
    rated: float,
    amps: Samples,
    constants: tuple[float, float],
    recent: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> float:
    tau = np.where(amps.v > _RUNNING * rated, constants[0], constants[1])
    first = float((amps.v[0] / (factor * rated)) ** 2) if amps.v[0] < factor * rated else 1.0
    return float(np.max(thermal_image(amps.t, amps.v, tau, first, factor=factor, rated=rated)[recent]))


def _starts_near(subject: Subject, end_ns: int) -> int:
    return sum(end_ns - _DAY_PART_S * NS <= s.start_ns <= end_ns for s in runs_of(subject))


DETECTORS: dict[str, Detector] = {
    "heat.discharge_temperature_climbs": discharge_temperature_climbs,
    "heat.discharge_temperature_high_at_failure": discharge_temperature_high_at_failure,
    "heat.injection_without_effect": injection_without_effect,
    "heat.winding_hot": winding_hot,
    "heat.thermal_capacity_used": thermal_capacity_used,
    "heat.oil_hot": oil_hot,
}
