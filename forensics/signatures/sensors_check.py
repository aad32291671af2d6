"""Sensors against each other: at rest, while running, against counters and power; and sensors that no longer move."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forensics.findings import Cite, Finding
from forensics.points import NS, Samples, Span
from forensics.signatures.base import Subject, cannot_tell
from forensics.signatures.duty import Frame, frame_of, rests_of
from forensics.signatures.phases import (
    AMPS,
    VOLTS,
    Bools,
    Floats,
    Measured,
    answer,
    before_failure,
    cite_between,
    stretches,
    trip_at_failure,
)
from forensics.vocabulary import ROLE_FACTS, Dimension, Outcome, Quality, Recorded, Role

_FEW = 5
_OLDEST_S = 600.0
_MUST_MOVE = (
    Role.MOTOR_AMPS,
    Role.AMPS_A,
    Role.AMPS_B,
    Role.AMPS_C,
    Role.MOTOR_POWER,
    Role.DISCHARGE_PRESSURE,
    Role.SUCTION_PRESSURE,
    Role.OIL_PRESSURE,
    Role.OIL_PRESSURE_DIFFERENCE,
    Role.CONDENSER_PRESSURE,
)


@dataclass(frozen=True)
class Pair:
    """One comparison: by how much a sensor contradicts another, its limit, and the points it rests on."""

    words: str
    excess: Floats
    limit_name: str
    unit: str
    roles: tuple[Role, ...]


def disagree_running(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether a sensor contradicts another in settled running in a way that the machine can't produce.

    Asked: saturated states (gas colder than its dew point), pressures that can't lie above another, two sensors of
    one quantity. More than half of the last settled running must contradict.
    """
    check = "sensors.disagree_running"
    frame = frame_of(subject)
    recent = frame.settled & (frame.t >= subject.record.failure_ns - round(subject.limits["sensors.recent_s"] * NS))
    if recent.sum() < _FEW:
        recent = frame.settled & frame.judged
    if recent.sum() < _FEW:
        return (cannot_tell(check, "no settled running in the window"),)
    judged: list[tuple[float, float, Pair, Bools]] = []
    for pair in _pairs(subject, frame):
        known = recent & np.isfinite(pair.excess)
        if known.sum() >= _FEW:
            value = float(np.median(pair.excess[known]))
            judged.append((value / subject.limits[pair.limit_name], value, pair, known))
    if not judged:
        return (cannot_tell(check, "no two sensors that can be held against each other while running"),)
    ratio, value, pair, known = max(judged, key=lambda item: item[0])
    span = (int(frame.t[known][0]), int(frame.t[known][-1]))
    points = [p for role in pair.roles if (p := frame.point(role)) is not None]
    others = f"; {len(judged)} comparisons made"
    return (
        answer(
            subject,
            check,
            Outcome.PRESENT if ratio > 1 else Outcome.ABSENT,
            f"{pair.words} by {value:.3g} {pair.unit} (median){others}",
            Measured(
                span_ns=span,
                samples=int(known.sum()),
                cites=tuple(c for p in points for c in cite_between(p, *span)),
                interval_s=max((p.interval_s for p in points), default=float("nan")),
                value=value,
                low=float(np.percentile(pair.excess[known], 10)),
                high=float(np.percentile(pair.excess[known], 90)),
                unit=pair.unit,
                limit_name=pair.limit_name,
                above=True,
            ),
        ),
    )


def _pairs(subject: Subject, frame: Frame) -> Iterator[Pair]:
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


def disagree_at_rest(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether discharge and suction (or oil) pressure disagree at the end of long rests, when they are equal.

    With the bypass open or the rotors still, gas equalises across the compressor within minutes. Discharge above
    suction may also be a leaking check valve, so it needs more; suction above discharge has no other cause.
    """
    check = "sensors.disagree_at_rest"
    limits = subject.limits
    rests = rests_of(subject, limits["sensors.rest_least_s"])[-50:]
    if not rests:
        return (cannot_tell(check, "no rest of ten minutes or more between runs in the window"),)
    suction = subject.record.point(Role.SUCTION_PRESSURE)
    judged: list[tuple[float, float, int, Samples, str]] = []
    for role in (Role.DISCHARGE_PRESSURE, Role.OIL_PRESSURE):
        point = subject.record.point(role)
        if point is None or suction is None:
            continue
        found = [apart for rest in rests if (apart := _apart_at_end(point, suction, rest)) is not None]
        if found:
            value = float(np.median(found))
            limit = limits["sensors.rest_above_kpa" if value > 0 else "sensors.rest_below_kpa"]
            name = "sensors.rest_above_kpa" if value > 0 else "sensors.rest_below_kpa"
            judged.append((abs(value) / limit, value, len(found), point, name))
        since = _apart_since(subject, point, suction, float(np.median(found)) if found else 0.0)
        if since is not None:
            name = "sensors.rest_above_kpa" if since > 0 else "sensors.rest_below_kpa"
            judged.append((abs(since) / limits[name], since, 1, point, name))
    if not judged or suction is None:
        return (cannot_tell(check, "needs discharge (or oil) and suction pressure at rest"),)
    ratio, value, count, point, name = max(judged, key=lambda item: item[0])
    span = (rests[0].start_ns, max(rests[-1].end_ns, subject.record.failure_ns))
    where = "since the failure, as it did not before" if count == 1 else f"at the end of {count} rests (median)"
    text = f"{point.role.value} less suction is {value:+.1f} kPa {where}"
    return (
        answer(
            subject,
            check,
            Outcome.PRESENT if ratio > 1 else Outcome.ABSENT,
            text,
            Measured(
                span_ns=span,
                samples=count,
                cites=(*cite_between(point, *span), *cite_between(suction, *span)),
                interval_s=max(point.interval_s, suction.interval_s),
                value=abs(value),
                unit="kPa",
                limit_name=name,
                above=True,
            ),
        ),
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


def frozen(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether a sensor stood still across a stop or a start while others moved: behaviour, not magic values."""
    check = "sensors.frozen"
    edges = [edge.latest_ns for run in subject.runs for edge in (run.begin, run.end) if edge is not None]
    window = subject.record.window
    edges = [e for e in edges if window.start_ns <= e <= subject.record.failure_ns + 300 * NS][-50:]
    points = [p for role in _MUST_MOVE if (p := subject.record.point(role)) is not None]
    points = [p for p in points if p.origin.recorded is not Recorded.CHANGE and len(p) > _FEW]
    if not edges or len(points) < 2:  # noqa: PLR2004 - one alone can't be held against another
        return (
            cannot_tell(check, "needs a stop or start in the window and two periodic points that must move across it"),
        )
    still: list[tuple[int, Samples, int]] = []
    watched = 0
    for edge in edges:
        seen = [(p, m) for p in points if (m := _moved(subject, p, edge)) is not None]
        if not any(m for _, m in seen):
            continue
        watched += 1
        still += [(edge, p, 1) for p, m in seen if not m]
    if not watched:
        return (cannot_tell(check, "no stop or start with several readings on both sides"),)
    roles = {p.role for _, p, _ in still}
    counts = {role: sum(p.role is role for _, p, _ in still) for role in roles}
    held = {role for role in roles if counts[role] >= max(2, watched // 3) or (watched == 1 and counts[role])}
    last_edge = edges[-1]
    held |= {p.role for e, p, _ in still if e == last_edge and counts[p.role] >= 2}  # noqa: PLR2004 - more than one
    if not held:
        span = (edges[0], edges[-1])
        text = f"all of {len(points)} points moved across {watched} starts and stops"
        seen_cites = tuple(c for p in points[:3] for c in cite_between(p, *span))
        return (_frozen_answer(subject, Outcome.ABSENT, text, span, watched, seen_cites, points[0]),)
    role = max(held, key=lambda r: counts[r])
    own = [(e, p) for e, p, _ in still if p.role is role]
    span = (own[0][0], own[-1][0])
    text = f"{role.value} did not move across {counts[role]} of {watched} starts and stops, while others did"
    cites = cite_between(own[0][1], span[0] - 120 * NS, span[1] + 120 * NS)
    return (_frozen_answer(subject, Outcome.PRESENT, text, span, counts[role], cites, own[0][1]),)


def _frozen_answer(
    subject: Subject,
    outcome: Outcome,
    text: str,
    span: tuple[int, int],
    edges: int,
    cites: tuple[Cite, ...],
    point: Samples,
) -> Finding:
    seen = Measured(
        span_ns=span,
        samples=edges,
        cites=cites,
        interval_s=point.interval_s,
        value=float(edges) if outcome is Outcome.PRESENT else 0.0,
        unit="1",
        limit_name="sensors.frozen_edges",
        above=True,
    )
    return answer(subject, "sensors.frozen", outcome, text, seen)


def _moved(subject: Subject, point: Samples, edge_ns: int) -> bool | None:
    """Whether a point took more than one value about an edge; None where too few readings lie there."""
    room = round(max(subject.limits["sensors.frozen_room_s"], 4 * point.interval_s) * NS)
    part = point.between(edge_ns - room, edge_ns + room)
    good = np.isfinite(part.v)
    if good.sum() < _FEW or not (part.t[good] < edge_ns).any() or not (part.t[good] > edge_ns).any():
        return None
    return bool(np.ptp(part.v[good]) > 0)


def out_of_range(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether a sensor went off its range before the failure, or to what such a machine can't be at.

    Two samples in a row in the last hours count; a single one, or one long before, may be a slip of transmission.
    """
    check = "sensors.out_of_range"
    limits = subject.limits
    span = before_failure(subject)
    recent_ns = span.end_ns - round(limits["sensors.recent_s"] * NS)
    worst: tuple[int, Samples, int, int, float] | None = None
    watched: list[Samples] = []
    strays = 0
    for found in subject.record.samples.values():
        point = found[0]
        bounds = _bounds(subject, point)
        part = point.between(span.start_ns, span.end_ns)
        if bounds is None or not len(part):
            continue
        watched.append(point)
        with np.errstate(invalid="ignore"):
            bad = (part.v < bounds[0]) | (part.v > bounds[1])
        bad |= (part.q & int(Quality.OUT_OF_RANGE)) != 0
        strays += int(bad.sum())
        for first, last in stretches(bad, part.t, np.inf):
            if part.t[last] >= recent_ns and (worst is None or last - first + 1 > worst[0]):
                worst = (last - first + 1, point, int(part.t[first]), int(part.t[last]), float(part.v[last]))
    if not watched:
        return (cannot_tell(check, "no pressure, temperature or current in the window"),)
    name = "sensors.out_of_range_samples"
    if worst is not None and worst[0] > limits[name]:
        count, point, first_ns, last_ns, reading = worst
        facts = ROLE_FACTS[point.role]
        unit = "kPa abs" if facts.dimension is Dimension.PRESSURE else facts.unit
        text = f"{point.role.value} read {reading:.4g} {unit}, {count} samples out of its range"
        outcome, seen = Outcome.PRESENT, (first_ns, last_ns)
        cites, interval_s = cite_between(point, *seen), point.interval_s
    elif strays:
        return (cannot_tell(check, f"{strays} readings out of range, none of them two in a row before the failure"),)
    elif (slow := min(p.interval_s for p in watched)) > limits["sensors.jump_fine_s"] and trip_at_failure(subject):
        why = f"no reading out of range, but one that tripped the machine within {slow:g} s falls between two samples"
        return (cannot_tell(check, why),)
    else:
        count, seen, outcome = 0, (span.start_ns, span.end_ns), Outcome.ABSENT
        text = f"{len(watched)} points stayed inside what is possible"
        cites = tuple(c for p in watched[:3] for c in cite_between(p, *seen))
        interval_s = watched[0].interval_s
    return (
        answer(
            subject,
            check,
            outcome,
            text,
            Measured(
                span_ns=seen,
                samples=max(count, 1),
                cites=cites,
                interval_s=interval_s,
                value=float(count),
                unit="1",
                limit_name=name,
                above=True,
            ),
        ),
    )


def _bounds(subject: Subject, point: Samples) -> tuple[float, float] | None:
    limits = subject.limits
    dimension = ROLE_FACTS[point.role].dimension
    if dimension is Dimension.PRESSURE:
        return limits["sensors.pressure_least_kpa"], limits["sensors.pressure_most_kpa"]
    if dimension is Dimension.PRESSURE_DIFFERENCE:
        return -limits["sensors.pressure_most_kpa"], limits["sensors.pressure_most_kpa"]
    if dimension is Dimension.TEMPERATURE:
        return limits["sensors.temperature_least_c"], limits["sensors.temperature_most_c"]
    if dimension is Dimension.CURRENT and subject.machine.rated_load_amps:
        return -0.05 * subject.machine.rated_load_amps, limits["sensors.current_most"] * subject.machine.rated_load_amps
    return None


def counter_mismatch(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the start counter moved by other than the starts that the record shows.

    More counts than starts: starts between samples, or chatter. Fewer: the record repeats or the counter stands.
    """
    check = "sensors.counter_mismatch"
    counter = subject.record.point(Role.START_COUNT)
    if counter is None or len(counter.usable) < 2:  # noqa: PLR2004 - a difference needs two
        return (cannot_tell(check, "no start_count with two readings"),)
    good = counter.usable
    first, last = int(good.t[0]), int(good.t[-1])
    moved = float(good.v[-1] - good.v[0])
    room = round(2 * good.interval_s * NS) if np.isfinite(good.interval_s) else 0
    begins = [run.begin for run in subject.runs if run.begin is not None]
    sure = sum(b.earliest_ns > first + room and b.latest_ns < last - room for b in begins)
    most = sum(b.latest_ns > first - room and b.earliest_ns < last + room for b in begins)
    apart = max(moved - most, sure - moved, 0.0)
    text = f"the counter moved by {moved:.0f}, the record shows {sure} to {most} starts"
    span = (first, last)
    return (
        answer(
            subject,
            check,
            Outcome.PRESENT if apart > subject.limits["sensors.counter_apart"] else Outcome.ABSENT,
            text,
            Measured(
                span_ns=span,
                samples=max(most, 2),
                cites=cite_between(good, *span),
                interval_s=good.interval_s,
                value=apart,
                unit="1",
                limit_name="sensors.counter_apart",
                above=True,
            ),
        ),
    )


def power_mismatch(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether power, voltage and current of the motor can't belong together: power factor above 1 or too low."""
    check = "sensors.power_mismatch"
    frame = frame_of(subject)
    power, amps = frame.of(Role.MOTOR_POWER), frame.of(Role.MOTOR_AMPS)
    phases = [frame.of(role) for role in AMPS]
    if all(p is not None for p in phases):
        amps = np.mean(np.array(phases, dtype=np.float64), axis=0)
    volts = [v for role in VOLTS if (v := frame.of(role)) is not None]
    declared = subject.machine.supply_volts
    if power is None or amps is None or (not volts and declared is None):
        return (cannot_tell(check, "needs power, current and voltage (or the nameplate's) of the motor"),)
    level = np.mean(np.array(volts), axis=0) if volts else np.full(len(power), float(declared or 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = 1000 * power / (np.sqrt(3) * level * amps)
    rated = subject.machine.rated_load_amps or float(np.nanmax(amps, initial=1.0))
    known = frame.settled & frame.judged & np.isfinite(factor) & (amps > 0.4 * rated)
    if known.sum() < _FEW:
        return (cannot_tell(check, "no settled running with power and current above no load in the window"),)
    value = float(np.median(factor[known]))
    low_limit, high_limit = subject.limits["sensors.power_factor_least"], subject.limits["sensors.power_factor_most"]
    high = value > (low_limit + high_limit) / 2
    name = "sensors.power_factor_most" if high else "sensors.power_factor_least"
    wrong = value > high_limit or value < low_limit
    span = (int(frame.t[known][0]), int(frame.t[known][-1]))
    points = [p for role in (Role.MOTOR_POWER, Role.MOTOR_AMPS, *AMPS) if (p := frame.point(role)) is not None]
    return (
        answer(
            subject,
            check,
            Outcome.PRESENT if wrong else Outcome.ABSENT,
            f"power over √3 · voltage · current is {value:.2f} (median)",
            Measured(
                span_ns=span,
                samples=int(known.sum()),
                cites=tuple(c for p in points for c in cite_between(p, *span)),
                interval_s=max(p.interval_s for p in points),
                value=value,
                low=float(np.percentile(factor[known], 5)),
                high=float(np.percentile(factor[known], 95)),
                unit="1",
                limit_name=name,
                above=high,
            ),
        ),
    )
