"""Overload of the motor: the largest mean of its current against what it may draw for long."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forensics.machine.citations import rows_of_each
from forensics.machine.duty.line_amps import ROOT_3, place_unsure
from forensics.machine.phases import Floats, Times, before_failure
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_lines
from forensics.model.findings import Cite, Finding
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing
from forensics.signatures.electrical.motor import currents_of, past_start

_WITNESSES = ("overload", "winding_temperature")
_ASK = "give machine.overload_setting_amps or machine.max_continuous_amps"


@dataclass(frozen=True, slots=True)
class _Allowed:
    """What the motor may draw for long: base in A, and the share of it that may be passed, at least and at most."""

    base: float
    low: float
    high: float
    words: str
    given: bool


def _allowed(subject: Subject) -> _Allowed | None:
    """The continuous rating, else the overload setting, else rated-load amps with what a code lets a relay be set to.

    The amps marked for the load are no thermal limit of a sealed motor-compressor: without setting or rating the
    limit lies between them and the most that its relay may be set to.
    """
    machine, limits = subject.machine, subject.limits
    for amps, words in (
        (machine.max_continuous_amps, "of the continuous rating"),
        (machine.overload_setting_amps, "of the overload setting"),
    ):
        if amps is not None:
            share = limits["electrical.overload_given_share"]
            return _Allowed(amps, share, share, words, given=True)
    if machine.rated_load_amps is None:
        return None
    low, high = limits["electrical.overload_share"], limits["electrical.overload_relay_share"]
    return _Allowed(machine.rated_load_amps, low, high, "of rated", given=False)


@detector("electrical.overload", nothing)
def overload(subject: Subject, check: str) -> Finding:
    """Decide whether the motor drew more for long than it may: the largest mean over some minutes.

    Starts are left out. The largest phase counts where the phases are logged. Against rated-load amps alone the
    answer is present only above what any relay may be set to, or where the protection itself says that it was too
    much. Whether the heating was enough to trip is another check (thermal model).
    """
    allowed = _allowed(subject)
    if allowed is None:
        return cannot_tell(check, "the rated-load amps are not given", unlocked_by="give machine.rated_load_amps")
    best: Finding | None = None
    span = before_failure(subject)
    for t, values, points in currents_of(subject):
        inside = (t >= span.start_ns) & (t < span.end_ns)
        if inside.sum() < 2:  # noqa: PLR2004 - a mean over time needs two stamps
            continue
        found = _overload_of(subject, check, (t[inside], values[inside]), points, allowed)
        if best is None or (found.value or 0) > (best.value or 0):
            best = found
    return best if best is not None else cannot_tell(check, "no motor current in the window")


def _overload_of(
    subject: Subject, check: str, drawn: tuple[Times, Floats], points: tuple[Samples, ...], allowed: _Allowed
) -> Finding:
    limits = subject.limits
    t, share = drawn[0], drawn[1] / allowed.base
    interval_s = max(p.interval_s for p in points)
    values = np.where(past_start(subject, t, share, points), share, 0.0)
    named, lines = _named(subject)
    brief_s = limits["electrical.overload_named_over_s" if named else "electrical.overload_heavy_over_s"]
    value, mean, over_s, place = _most_drawn(subject, t, values, interval_s, brief_s)
    error = (subject.machine.current_sensor.ratio_error_percent or limits["electrical.sensor_percent"]) / 100
    # the largest of many means stands above the largest there was, by some of its own scatter
    inside = values[(t > t[place] - round(over_s * NS)) & (t <= t[place])]
    scatter = 2.0 * float(np.std(inside)) / float(np.sqrt(max(len(inside), 1)))
    half = float(np.hypot(value * error, scatter))
    low, high = value - half - scatter, value + half
    outcome, why_not = _judged(subject, (low, value, high), allowed, named=bool(named))
    stalled = values > limits["electrical.overload_stall_share"]
    # a rotor that stalls, or a fault, is cut off within seconds: alone it is no load that was too large
    if (
        stalled.any()
        and _most_drawn(subject, t, np.where(stalled, 1.0, values), interval_s, brief_s)[0] <= allowed.low < value
    ):
        outcome = Outcome.CANNOT_TELL
        why_not = f"only a current at stall level, up to {100 * float(np.max(values)):.0f} %, went above it"
    text = f"{100 * mean:.0f} % {allowed.words} was the largest mean over {over_s:.0f} s outside starts"
    if named and outcome is Outcome.PRESENT:
        text += f"; the protection said '{named}'"
    end_ns = int(t[place])
    begin_ns = end_ns - round(over_s * NS)
    name = "electrical.overload_given_share" if allowed.given else "electrical.overload_share"
    found = make_finding(
        subject,
        check,
        outcome,
        text,
        Value(value, low, high, "1", name, above=True),
        seen=Seen(
            (begin_ns, end_ns),
            rows_of_each(points, begin_ns, end_ns) + (lines if outcome is Outcome.PRESENT else ()),
            interval_s,
            max(int(((t > begin_ns) & (t <= end_ns)).sum()), 1),
        ),
        why_not=why_not,
    )
    if outcome is Outcome.ABSENT:
        return replace(found, detectable=allowed.low * (1 + error))
    return replace(found, unlocked_by=_ASK) if outcome is Outcome.CANNOT_TELL and not allowed.given else found


def _judged(
    subject: Subject, interval: tuple[float, float, float], allowed: _Allowed, *, named: bool
) -> tuple[Outcome, str]:
    low, value, high = interval
    # the protection measures with parts of its own: beside its word the error of the sensor decides nothing
    if low > allowed.high or (named and value > allowed.low):
        return Outcome.PRESENT, ""
    if named:
        return Outcome.CANNOT_TELL, "the protection says that the motor was overloaded, the logged current does not"
    unsure = place_unsure(subject)
    if unsure and high * ROOT_3 > allowed.low:
        return Outcome.CANNOT_TELL, unsure
    if high <= allowed.low:
        return Outcome.ABSENT, ""
    if allowed.given:
        return Outcome.CANNOT_TELL, "the sensor's error leaves open on which side of it the current lay"
    return Outcome.CANNOT_TELL, f"rated-load amps are no thermal limit; {_ASK}"


def _named(subject: Subject) -> tuple[str, tuple[Cite, ...]]:
    """What the protection said at the failure of too much current or heat, and its rows."""
    lines = [line for name in _WITNESSES for line in trip_lines(subject, name)]
    if not lines:
        return "", ()
    return lines[0].text or lines[0].point, tuple(Cite(x.source, x.point, (x.row, x.row)) for x in lines)


def _most_drawn(
    subject: Subject, t: Times, values: Floats, interval_s: float, brief_s: float
) -> tuple[float, float, float, int]:
    """Largest mean, long, or brief and scaled to the limit of the long; as drawn; over how long, s; where it ends."""
    limits = subject.limits
    long_s = max(limits["electrical.overload_over_s"], 3 * interval_s)
    brief_s = max(brief_s, 3 * interval_s)
    mean, at = _largest_mean(t, values, long_s)
    heavy, heavy_at = _largest_mean(t, values, brief_s)
    scaled = heavy / limits["electrical.overload_heavy_share"] * limits["electrical.overload_share"]
    return (mean, mean, long_s, at) if mean >= scaled else (scaled, heavy, brief_s, heavy_at)


def _largest_mean(t: Times, values: Floats, over_s: float) -> tuple[float, int]:
    """Largest time-weighted mean over ``over_s`` (each value holds until the next), and where it ends."""
    length_s = (t - t[0]) / NS
    total = np.concatenate(([0.0], np.cumsum(values[:-1] * np.minimum(np.diff(length_s), over_s))))
    begin = length_s - over_s
    mean = (total - np.interp(begin, length_s, total, left=0.0)) / over_s
    at = int(np.argmax(mean))
    return float(mean[at]), at
