"""A sensor by itself: one that no longer moves, and one that reads what is not possible."""

from __future__ import annotations

import numpy as np

from forensics.machine.citations import rows_of, rows_of_each
from forensics.machine.phases import before_failure, stretches, trip_at_failure
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_texts
from forensics.model.findings import Cite, Finding
from forensics.model.points import NS, Samples
from forensics.model.role_words import in_words
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Outcome, Quality, Recorded, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing

_FEW = 5
_LEAST_KNOWN_S = 3600.0
_BOUNDED = (Dimension.PRESSURE, Dimension.PRESSURE_DIFFERENCE, Dimension.TEMPERATURE)

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


@detector("sensors.frozen", nothing)
def frozen(subject: Subject, check: str) -> Finding:
    """Decide whether a sensor stood still across a stop or a start while others moved: behaviour, not magic values."""
    edges = [edge.latest_ns for run in subject.runs for edge in (run.begin, run.end) if edge is not None]
    window = subject.record.window
    edges = [e for e in edges if window.start_ns <= e <= subject.record.failure_ns + 300 * NS][-50:]
    points = [p for role in _MUST_MOVE if (p := subject.record.point(role)) is not None]
    points = [p for p in points if p.origin.recorded is not Recorded.CHANGE and len(p) > _FEW]
    if not edges or len(points) < 2:  # noqa: PLR2004 - one alone can't be held against another
        return cannot_tell(
            check, "needs a stop or start in the window and two periodic points that must move across it"
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
        return cannot_tell(check, "no stop or start with several readings on both sides")
    roles = {p.role for _, p, _ in still}
    counts = {role: sum(p.role is role for _, p, _ in still) for role in roles}
    held = {role for role in roles if counts[role] >= max(2, watched // 3) or (watched == 1 and counts[role])}
    last_edge = edges[-1]
    held |= {p.role for e, p, _ in still if e == last_edge and counts[p.role] >= 2}  # noqa: PLR2004 - more than one
    if not held:
        span = (edges[0], edges[-1])
        text = f"all of {len(points)} points moved across {watched} starts and stops"
        seen_cites = rows_of_each(points[:3], *span)
        return _frozen_answer(subject, Outcome.ABSENT, text, span, watched, cites=seen_cites, point=points[0])
    role = max(held, key=lambda r: counts[r])
    own = [(e, p) for e, p, _ in still if p.role is role]
    span = (own[0][0], own[-1][0])
    text = f"{in_words(role)} did not move across {counts[role]} of {watched} starts and stops, while others did"
    cites = rows_of(own[0][1], span[0] - 120 * NS, span[1] + 120 * NS)
    return _frozen_answer(subject, Outcome.PRESENT, text, span, counts[role], cites=cites, point=own[0][1])


def _frozen_answer(
    subject: Subject,
    outcome: Outcome,
    text: str,
    span: tuple[int, int],
    edges: int,
    cites: tuple[Cite, ...],
    point: Samples,
) -> Finding:
    value = float(edges) if outcome is Outcome.PRESENT else 0.0
    measured = Value.exact(value, "1", "sensors.frozen_edges", above=True)
    return make_finding(subject, "sensors.frozen", outcome, text, measured, Seen(span, cites, point.interval_s, edges))


def _moved(subject: Subject, point: Samples, edge_ns: int) -> bool | None:
    """Whether a point took more than one value about an edge; None where too few readings lie there."""
    apart_s = min(subject.record.uncertainty_s(point.origin.clock), _LEAST_KNOWN_S)
    room = round((max(subject.limits["sensors.frozen_room_s"], 4 * point.interval_s) + apart_s) * NS)
    part = point.between(edge_ns - room, edge_ns + room)
    good = np.isfinite(part.v)
    if good.sum() < _FEW or not (part.t[good] < edge_ns).any() or not (part.t[good] > edge_ns).any():
        return None
    return bool(np.ptp(part.v[good]) > 0)


@detector("sensors.out_of_range", nothing)
def out_of_range(subject: Subject, check: str) -> Finding:
    """Decide whether a sensor went off its range before the failure, or to what such a machine can't be at.

    Two samples in a row in the last hours count; a single one, or one long before, may be a slip of transmission.
    """
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
        return cannot_tell(check, "no pressure, temperature or current in the window")
    name = "sensors.out_of_range_samples"
    if worst is not None and worst[0] > limits[name]:
        count, point, first_ns, last_ns, reading = worst
        facts = ROLE_FACTS[point.role]
        unit = "kPa abs" if facts.dimension is Dimension.PRESSURE else facts.unit
        text = f"{in_words(point.role)} read {reading:.4g} {unit}, {count} samples out of its range"
        outcome, seen = Outcome.PRESENT, (first_ns, last_ns)
        cites, interval_s = rows_of(point, *seen), point.interval_s
    elif strays:
        return cannot_tell(check, f"{strays} readings out of range, none of them two in a row before the failure")
    elif (slow := min(p.interval_s for p in watched)) > limits["sensors.jump_fine_s"] and trip_at_failure(subject):
        why = f"no reading out of range, but one that tripped the machine within {slow:g} s falls between two samples"
        return cannot_tell(check, why)
    elif unlogged := _named_not_logged(subject):
        return cannot_tell(check, f"no reading out of range, but the trip names {unlogged}, which is not logged")
    else:
        count, seen, outcome = 0, (span.start_ns, span.end_ns), Outcome.ABSENT
        text = f"{len(watched)} points stayed inside what is possible"
        cites = rows_of_each(watched[:3], *seen)
        interval_s = watched[0].interval_s
    return make_finding(
        subject,
        check,
        outcome,
        text,
        Value.exact(float(count), "1", name, above=True),
        Seen(seen, cites, interval_s, max(count, 1)),
    )


def _named_not_logged(subject: Subject) -> str:
    """The quantity that a trip's text names and no logged sensor measures; empty where there is none."""
    for quantity, _ in trip_texts(subject):
        sensors = [role for role in quantity.sensors if ROLE_FACTS[role].dimension in _BOUNDED]
        if sensors and not any(subject.record.samples.get(role) for role in sensors):
            return quantity.title
    return ""


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
