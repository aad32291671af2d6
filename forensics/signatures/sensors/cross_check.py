"""Sensors against each other: while running and at rest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forensics.machine.citations import rows_of, rows_of_each
from forensics.machine.duty.baseline import AlignedSamples, frame_of, rests_of
from forensics.machine.phases import AMPS, Bools, Floats, trip_at_failure
from forensics.machine.subject import Subject
from forensics.model.build_words import CheckValve
from forensics.model.findings import Finding
from forensics.model.points import NS, Samples, Span
from forensics.model.role_words import in_words
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing

_FEW = 5
_OLDEST_S = 600.0


_LAST_RESTS = 3


@dataclass(frozen=True)
class Pair:
    """One comparison: by how much a sensor contradicts another, its limit, and the points it rests on."""

    words: str
    excess: Floats
    limit_name: str
    unit: str
    roles: tuple[Role, ...]


@detector("sensors.disagree_running", nothing)
def disagree_running(subject: Subject, check: str) -> Finding:
    """Decide whether a sensor contradicts another in settled running in a way that the machine can't produce.

    Asked: saturated states (gas colder than its dew point), pressures that can't lie above another, two sensors of
    one quantity. More than half of the last settled running must contradict.
    """
    frame = frame_of(subject)
    recent = frame.settled & (frame.t >= subject.record.failure_ns - round(subject.limits["sensors.recent_s"] * NS))
    if recent.sum() < _FEW:
        recent = frame.settled & frame.judged
    if recent.sum() < _FEW:
        return cannot_tell(check, "no settled running in the window")
    judged: list[tuple[float, float, Pair, Bools]] = []
    for pair in _pairs(subject, frame):
        known = recent & np.isfinite(pair.excess)
        if known.sum() >= _FEW:
            value = float(np.median(pair.excess[known]))
            judged.append((value / subject.limits[pair.limit_name], value, pair, known))
    if not judged:
        return cannot_tell(check, "no two sensors that can be held against each other while running")
    ratio, value, pair, known = max(judged, key=lambda item: item[0])
    span = (int(frame.t[known][0]), int(frame.t[known][-1]))
    points = [p for role in pair.roles if (p := frame.point(role)) is not None]
    others = f"; {len(judged)} comparisons made"
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if ratio > 1 else Outcome.ABSENT,
        f"{pair.words} by {value:.3g} {pair.unit} (median){others}",
        Value(
            value,
            float(np.percentile(pair.excess[known], 10)),
            float(np.percentile(pair.excess[known], 90)),
            pair.unit,
            pair.limit_name,
            above=True,
        ),
        Seen(
            span,
            rows_of_each(points, *span),
            max((p.interval_s for p in points), default=float("nan")),
            int(known.sum()),
        ),
    )


def _pairs(subject: Subject, frame: AlignedSamples) -> Iterator[Pair]:
    get, curve = frame.of, subject.saturation
    suction, discharge = get(Role.SUCTION_PRESSURE), get(Role.DISCHARGE_PRESSURE)
    oil = get(Role.OIL_PRESSURE)
    kpa = "sensors.pressure_contradiction_kpa"
    if suction is not None and discharge is not None:
        yield Pair("suction above discharge", suction - discharge, kpa, "kPa", _roles("suction discharge"))
    if suction is not None and oil is not None:
        yield Pair("suction above oil feed", suction - oil, kpa, "kPa", _roles("suction oil"))
        direct = get(Role.OIL_PRESSURE_DIFFERENCE)
        if direct is not None:
            # a difference may be taken over suction, or from discharge: either reading of it may fit
            apart = np.abs(direct - (oil - suction))
            if discharge is not None:
                apart = np.fmin(apart, np.abs(direct - (discharge - oil)))
            three = (Role.OIL_PRESSURE_DIFFERENCE, Role.OIL_PRESSURE, Role.SUCTION_PRESSURE)
            yield Pair("oil difference apart from the oil pressure less suction", apart, kpa, "kPa", three)
    if curve is not None:
        gas = get(Role.SUCTION_TEMPERATURE)
        if suction is not None and gas is not None:
            roles = (Role.SUCTION_TEMPERATURE, Role.SUCTION_PRESSURE)
            yield Pair("suction gas below its dew point", curve.dew_c(suction) - gas, "sensors.below_dew_k", "K", roles)
        hot = get(Role.DISCHARGE_TEMPERATURE)
        if discharge is not None and hot is not None:
            roles = (Role.DISCHARGE_TEMPERATURE, Role.DISCHARGE_PRESSURE)
            below = curve.dew_c(discharge) - hot
            yield Pair("discharge gas below its dew point", below, "sensors.below_dew_k", "K", roles)
        water, head = get(Role.CONDENSER_WATER_LEAVING), frame.of(Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE)
        if water is not None and head is not None:
            roles = (Role.CONDENSER_WATER_LEAVING, Role.CONDENSER_PRESSURE)
            yield Pair(
                "leaving condenser water above condensing", water - curve.dew_c(head), "sensors.below_dew_k", "K", roles
            )
        cold = get(Role.CHILLED_WATER_LEAVING)
        if cold is not None and suction is not None:
            roles = (Role.CHILLED_WATER_LEAVING, Role.SUCTION_PRESSURE)
            yield Pair(
                "evaporating above leaving chilled water",
                curve.dew_c(suction) - cold,
                "sensors.below_dew_k",
                "K",
                roles,
            )
    amps, phases = get(Role.MOTOR_AMPS), [get(role) for role in AMPS]
    rated = subject.machine.rated_load_amps
    if amps is not None and rated and all(p is not None for p in phases):
        mean = np.mean(np.array(phases, dtype=np.float64), axis=0)
        apart = 100 * np.abs(amps - mean) / rated
        yield Pair(
            "average current apart from the phases",
            apart,
            "sensors.current_apart_percent",
            "%",
            (Role.MOTOR_AMPS, *AMPS),
        )


def _roles(words: str) -> tuple[Role, ...]:
    return tuple(Role(f"{word}_pressure") for word in words.split())


@detector("sensors.disagree_at_rest", nothing)
def disagree_at_rest(subject: Subject, check: str) -> Finding:
    """Decide whether discharge and suction (or oil) pressure disagree at the end of long rests, when they are equal.

    With the bypass open or the rotors still, gas equalises across the compressor within minutes. Discharge above
    suction may also be a leaking check valve, so it needs more; suction above discharge has no other cause.
    A discharge sensor behind the check valve stays with the condenser and is not asked.
    """
    limits = subject.limits
    rests = rests_of(subject, limits["sensors.rest_least_s"])[-50:]
    if not rests:
        return cannot_tell(check, "no rest of ten minutes or more between runs in the window")
    suction = subject.record.point(Role.SUCTION_PRESSURE)
    judged: list[tuple[float, float, int, Samples, str]] = []
    roles = (Role.DISCHARGE_PRESSURE, Role.OIL_PRESSURE)
    for role in roles[1:] if subject.build.check_valve is CheckValve.BEFORE_SENSOR else roles:
        point = subject.record.point(role)
        if point is None or suction is None:
            continue
        found = [apart for rest in rests if (apart := _apart_at_end(point, suction, rest)) is not None]
        # a sensor that drifts is right at most rests: the last ones are asked by themselves
        for last in {len(found), min(len(found), _LAST_RESTS)} - {0}:
            value = float(np.median(found[-last:]))
            name = "sensors.rest_above_kpa" if value > 0 else "sensors.rest_below_kpa"
            judged.append((abs(value) / limits[name], value, last, point, name))
        since = _apart_since(subject, point, suction, float(np.median(found)) if found else 0.0)
        if since is not None:
            name = "sensors.rest_above_kpa" if since > 0 else "sensors.rest_below_kpa"
            judged.append((abs(since) / limits[name], since, 1, point, name))
    if not judged or suction is None:
        return cannot_tell(check, "needs discharge (or oil) and suction pressure at rest")
    ratio, value, count, point, name = max(judged, key=lambda item: item[0])
    span = (rests[0].start_ns, max(rests[-1].end_ns, subject.record.failure_ns))
    which = f"the last {count}" if count < len(rests) else f"{count}"
    where = "since the failure, as it did not before" if count == 1 else f"at the end of {which} rests (median)"
    text = f"{in_words(point.role)} less suction is {value:+.1f} kPa {where}"
    # apart by more than two sound sensors are, yet by no more than a leaking check valve holds: either
    apart = any(abs(one[1]) > limits["sensors.rest_below_kpa"] for one in judged)
    outcome = Outcome.PRESENT if ratio > 1 else Outcome.CANNOT_TELL if apart else Outcome.ABSENT
    return make_finding(
        subject,
        check,
        outcome,
        text,
        Value.exact(abs(value), "kPa", name, above=True),
        Seen(
            span,
            (*rows_of(point, *span), *rows_of(suction, *span)),
            max(point.interval_s, suction.interval_s),
            count,
        ),
        why_not="two sound sensors are not so far apart, but gas that a check valve lets through holds as much",
    )


def _apart_since(subject: Subject, point: Samples, suction: Samples, before_kpa: float) -> float | None:
    """Difference at the end of the rest that followed the failure, kPa, where it is another than before.

    Oil is asked only for a feed below suction: above it, oil may stay trapped behind a shut valve.
    """
    limits = subject.limits
    trip = trip_at_failure(subject)
    if trip is None:
        return None
    again = [run.first_ns for run in subject.runs if run.first_ns > trip.latest_ns]
    rest = Span(trip.latest_ns, min([*again, subject.record.window.end_ns]))
    if rest.seconds < limits["sensors.rest_least_s"]:
        return None
    apart = _apart_at_end(point, suction, rest)
    if apart is None or (point.role is Role.OIL_PRESSURE and apart > 0):
        return None
    name = "sensors.rest_above_kpa" if apart > 0 else "sensors.rest_below_kpa"
    return apart if abs(apart - before_kpa) > limits[name] else None


def _apart_at_end(point: Samples, suction: Samples, rest: Span) -> float | None:
    """Median difference of two pressures over the last part of a rest, kPa; None where too few readings are young."""
    begin = rest.start_ns + 3 * (rest.end_ns - rest.start_ns) // 5
    times = np.linspace(begin, rest.end_ns - 5 * NS, 20).astype(np.int64)
    apart = point.at(times, _OLDEST_S) - suction.at(times, _OLDEST_S)
    known = apart[np.isfinite(apart)]
    return float(np.median(known)) if len(known) >= _FEW else None
