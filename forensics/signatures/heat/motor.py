"""How hot the motor got: winding temperature and the thermal image of its current."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.electrics.phasors import negative_sequence_percent
from forensics.machine.duty.baseline import AlignedSamples, Floats, Times, cite, runs_of
from forensics.machine.phases import AMPS, read_phases
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_lines
from forensics.model.findings import Finding
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.limits_and_baseline import ThresholdTest, against_limit, ready, running

_BLOCK_TIME_CONSTANTS = 300.0
# after so many of its slowest time constants the image keeps less than a millionth of what was before
_MEMORY = 15.0
_FINE_INTERVAL_S = 10.0
_MANY_STARTS = 2
_RECENT_S = 600.0
_DAY_PART_S = 7200.0
_RUNNING = 0.1
_INRUSH = 2.0
_FEWEST = 3


@detector("heat.winding_hot", running)
def winding_hot(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether winding temperature stayed above the limit in the window up to the failure."""
    reading = frame.of(Role.WINDING_TEMPERATURE)
    if reading is None:
        return cannot_tell(check, "no trusted winding temperature")
    look = ThresholdTest(
        check,
        reading,
        "degC",
        "winding temperature",
        check,
        above=True,
        lasting="heat.winding_lasting",
        groups=((Role.WINDING_TEMPERATURE,),),
    )
    return against_limit(subject, frame, look, np.ones(len(frame.t), dtype=bool))


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


@detector("heat.thermal_capacity_used", ready)
def thermal_capacity_used(subject: Subject, check: str) -> Finding:
    """Decide whether the motor's thermal image reached the limit in the ten minutes before the failure.

    The time constants are those of a trip class, so the image is also taken with those of a faster and of a slower
    one: the interval. Where neither overload setting nor continuous rating is given the base lies between rated-load
    amps and the most that a relay may be set to. Present where the image reaches the limit with the whole interval, or
    with the protection saying so; absent where it does not with any of them. Lost cooling by gas is not in it.
    """
    limits, machine = subject.limits, subject.machine
    given = machine.max_continuous_amps or machine.overload_setting_amps
    rated = given or machine.rated_load_amps
    if rated is None:
        return cannot_tell(check, "no machine.rated_load_amps", unlocked_by="give machine.rated_load_amps")
    most = rated if given else limits["electrical.overload_relay_share"] * rated
    point = next(p for r in (Role.MOTOR_AMPS, Role.AMPS_A) if (p := subject.record.point(r)) is not None)
    end_ns = min(subject.record.failure_ns + NS, subject.record.window.end_ns)
    slowest_s = max(_constants(subject, limits["heat.thermal_slow"]))
    amps = _with_negative_sequence(subject, point.trusted.between(end_ns - round(_MEMORY * slowest_s * NS), end_ns))
    recent = amps.t >= end_ns - round(_RECENT_S * NS)
    if len(amps) < _FEWEST or not recent.any():
        return cannot_tell(check, "no amps just before the failure")
    scales = (1.0, limits["heat.thermal_fast"], limits["heat.thermal_slow"])
    values = [_image(limits["heat.thermal_factor"], rated, amps, _constants(subject, x), recent) for x in scales]
    value, low, high = values[0], min(values), max(values)
    if not given:
        low = min(_image(limits["heat.thermal_factor"], most, amps, _constants(subject, x), recent) for x in scales)
    limit = limits["heat.thermal_used"]
    named = any(trip_lines(subject, name) for name in ("overload", "winding_temperature"))
    reached = low >= limit or (named and value >= limit)
    outcome = Outcome.PRESENT if reached else Outcome.CANNOT_TELL if high >= limit else Outcome.ABSENT
    why_not = "with other time constants, or another setting of the protection, it may have reached the limit or not"
    blind = amps.interval_s > _FINE_INTERVAL_S and _starts_near(subject, end_ns) > _MANY_STARTS
    if outcome is Outcome.ABSENT and blind:
        outcome, why_not = Outcome.CANNOT_TELL, f"samples every {amps.interval_s:g} s don't show the inrush of starts"
    if outcome is Outcome.PRESENT and amps.interval_s > _FINE_INTERVAL_S:
        # one sample of an inrush of seconds stands for the whole step: what is left without it must be enough
        calm = replace(amps, v=np.minimum(amps.v, _INRUSH * rated))
        if _image(limits["heat.thermal_factor"], rated, calm, _constants(subject, 1.0), recent) < limit:
            outcome = Outcome.CANNOT_TELL
            why_not = f"it rests on samples of inrush, each taken for {amps.interval_s:g} s"
    return make_finding(
        subject,
        check,
        outcome,
        f"Thermal image of the motor {value:.0%} of the limit before the failure "
        f"({low:.0%} to {high:.0%} with time constants from {scales[1]:g} to {scales[2]:g} of those of class 10"
        f"{'' if given else ', and with what a relay may be set to'}).",
        Value(value, low, high, "1", "heat.thermal_used", above=True),
        seen=Seen(
            (int(amps.t[recent][0]), int(amps.t[-1])),
            cite(point, int(amps.t[recent][0]), int(amps.t[-1])),
            amps.interval_s,
            int(recent.sum()),
        ),
        why_not=why_not,
    )


def _with_negative_sequence(subject: Subject, amps: Samples) -> Samples:
    """The current that would heat alike without unbalance; the current itself where the three are not logged.

    ``I_eq^2 = I_1^2 + q I_2^2``: negative sequence turns against the rotor and heats it more than its size. Both
    sequences follow from the three magnitudes, since without a neutral they close a triangle.
    """
    phases, _ = read_phases(subject, AMPS)
    if phases is None or not len(amps):
        return amps
    index = np.searchsorted(phases.t, amps.t, side="right") - 1
    known = (index >= 0) & (amps.t - phases.t[np.maximum(index, 0)] <= round(2 * phases.interval_s * NS))
    share = np.nan_to_num(negative_sequence_percent(phases.v)[np.maximum(index, 0)]) / 100.0
    weight = np.where(known, subject.limits["heat.thermal_negative"] * share**2, 0.0)
    return replace(amps, v=amps.v * np.sqrt(1.0 + weight))


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
