"""Whether one sensor jumped within a sample before the stop while what it is linked with stood still."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forensics.machine.citations import rows_of, rows_of_each
from forensics.machine.phases import Trip, widened
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_texts
from forensics.model.findings import Finding
from forensics.model.points import NS, Samples
from forensics.model.role_words import in_words
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Outcome, Quality, Recorded, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import stopped

_FEW = 5
_JUMP_LIMIT = {
    Dimension.TEMPERATURE: "sensors.jump_k",
    Dimension.PRESSURE: "sensors.jump_kpa",
    Dimension.PRESSURE_DIFFERENCE: "sensors.jump_kpa",
}
_LINKED: dict[Role, tuple[Role, ...]] = {
    Role.DISCHARGE_PRESSURE: (Role.CONDENSER_PRESSURE, Role.OIL_PRESSURE, Role.OIL_FILTER_IN_PRESSURE),
    Role.CONDENSER_PRESSURE: (Role.DISCHARGE_PRESSURE, Role.OIL_PRESSURE),
    Role.HIGH_SIDE_PRESSURE: (Role.OIL_PRESSURE, Role.CONDENSER_WATER_LEAVING),
    Role.SUCTION_PRESSURE: (Role.SUCTION_TEMPERATURE, Role.DISCHARGE_PRESSURE, Role.CHILLED_WATER_LEAVING),
    Role.OIL_PRESSURE: (Role.OIL_FILTER_IN_PRESSURE, Role.DISCHARGE_PRESSURE, Role.OIL_PRESSURE_DIFFERENCE),
    Role.OIL_PRESSURE_DIFFERENCE: (Role.OIL_PRESSURE, Role.OIL_FILTER_IN_PRESSURE, Role.DISCHARGE_PRESSURE),
    Role.OIL_FILTER_IN_PRESSURE: (Role.OIL_PRESSURE, Role.DISCHARGE_PRESSURE),
}
_OIL = (Role.OIL_PRESSURE, Role.OIL_PRESSURE_DIFFERENCE, Role.OIL_FILTER_IN_PRESSURE)
# the unloading valve lets discharge fall and suction rise within a second: only the other way is a sensor's
_SUSPECT = {Role.DISCHARGE_PRESSURE: 1.0, Role.CONDENSER_PRESSURE: 1.0, Role.HIGH_SIDE_PRESSURE: 1.0}
_SUSPECT |= {Role.SUCTION_PRESSURE: -1.0}
_AMPS = (Role.MOTOR_AMPS, Role.AMPS_A, Role.MOTOR_POWER)


@dataclass(frozen=True)
class Jump:
    """A step of one sensor within one interval while the motor ran, before the stop."""

    point: Samples
    at: int
    size: float
    limit_name: str
    ratio: float
    neighbours: tuple[str, ...]
    moved: tuple[str, ...]


@detector("sensors.jump_at_trip", stopped)
def jump_at_trip(subject: Subject, check: str, trip: Trip) -> Finding:
    """Decide whether one sensor jumped within a sample just before the stop while what it is linked with stood still.

    Gas, oil and metal can't do it: temperatures follow at some K/s, and a pressure that truly falls takes current and
    neighbours along. A trip whose sensor is not logged fast enough is cannot-tell.
    """
    jumps = [j for point in _sensors(subject) if (j := _jump(subject, point, trip)) is not None]
    lone = [j for j in jumps if not j.moved and (j.neighbours or _temperature(j.point))]
    if lone:
        return _jump_finding(subject, check, max(lone, key=lambda j: j.ratio))
    if jumps:
        jump = max(jumps, key=lambda j: j.ratio)
        others = ", ".join(jump.moved) or "no linked sensor is logged"
        return cannot_tell(check, f"{jump.point.role.value} stepped before the stop, but so did or may have: {others}")
    texts = trip_texts(subject)
    sensors = [r for quantity, _ in texts[:1] for r in quantity.sensors]
    watched = [p for p in _sensors(subject) if _watched(subject, p, trip) and (not sensors or p.role in sensors)]
    if (not texts and len(watched) < 2) or not watched:  # noqa: PLR2004 - one sensor alone excludes little
        why = "the sensor of the trip is not logged at 10 s or faster up to the stop"
        return cannot_tell(check, why, unlocked_by="log the sensors of the protections every 1 to 5 s")
    if not texts and trip.is_trip:
        return cannot_tell(check, "what tripped is not stated, and its sensor may not be among those logged")
    slow = min(p.interval_s for p in watched)
    if slow > subject.limits["sensors.jump_fine_s"]:
        why = f"no step is seen, but one that trips within {slow:g} s falls between two samples"
        return cannot_tell(check, why, unlocked_by="log the sensors of the protections every 1 to 2 s")
    span = (trip.earliest_ns - round(subject.limits["sensors.jump_watch_s"] * NS), trip.earliest_ns)
    names = ", ".join(in_words(p.role) for p in watched)
    return make_finding(
        subject,
        check,
        Outcome.ABSENT,
        f"{names} went into the stop without a step",
        seen=Seen(
            span,
            rows_of_each(watched[:3], *span),
            max(p.interval_s for p in watched),
            sum(len(p.between(*span)) for p in watched),
        ),
    )


def stepped_alone(subject: Subject, point: Samples, trip: Trip) -> bool:
    """Whether a sensor stepped before the stop while everything it is linked with stood still."""
    if ROLE_FACTS[point.role].dimension not in _JUMP_LIMIT:
        return False
    jump = _jump(subject, point, trip)
    return jump is not None and not jump.moved and (bool(jump.neighbours) or _temperature(point))


def no_true_step(subject: Subject, point: Samples, trip: Trip) -> bool:
    """Whether a sensor stepped before the stop in a way that nothing true can: too fast for metal, or against company.

    A temperature must have gone faster than any wall or gas line follows; a pressure must have stood against two
    readings at least that are tied to it.
    """
    jump = _jump(subject, point, trip) if ROLE_FACTS[point.role].dimension in _JUMP_LIMIT else None
    if jump is None or jump.moved:
        return False
    if not _temperature(point):
        return len(jump.neighbours) >= _PRESSURE_COMPANY
    seconds = (int(point.t[jump.at]) - int(point.t[jump.at - 1])) / NS
    return abs(jump.size) >= subject.limits["sensors.step_k_per_s"] * max(seconds, 1.0)


_PRESSURE_COMPANY = 2


def _temperature(point: Samples) -> bool:
    return ROLE_FACTS[point.role].dimension is Dimension.TEMPERATURE


def _sensors(subject: Subject) -> list[Samples]:
    return [
        found[0]
        for role, found in subject.record.samples.items()
        if ROLE_FACTS[role].dimension in _JUMP_LIMIT and role is not Role.CHILLED_WATER_SETPOINT and len(found[0])
    ]


def _watched(subject: Subject, point: Samples, trip: Trip) -> bool:
    """Whether a sensor is logged fast enough up to the stop."""
    if point.interval_s > subject.limits["sensors.jump_interval_s"]:
        return False
    last = int(np.searchsorted(point.t, trip.latest_ns, side="right")) - 1
    if point.origin.recorded is Recorded.CHANGE:
        return last >= 0
    return last >= 0 and (trip.earliest_ns - int(point.t[last])) / NS <= 5 * point.interval_s


def _jump(subject: Subject, point: Samples, trip: Trip) -> Jump | None:
    """The largest step of a sensor in the last minute before the stop, where it passes limit and noise."""
    limits = subject.limits
    if not _watched(subject, point, trip):
        return None
    unsure_s = widened(subject, point.origin.clock)
    if unsure_s > limits["sensors.jump_clock_s"]:
        return None
    # pressures fall and hot gas reaches the suction as the motor stops: their steps must come before the current ends
    sudden = not _temperature(point) or point.role is Role.SUCTION_TEMPERATURE
    end = trip.earliest_ns - round(unsure_s * NS) if sudden else trip.latest_ns
    watch = limits["sensors.jump_watch_s"]
    part = _with_rails(point).between(end - round((watch + limits["sensors.jump_before_s"]) * NS), end + 1)
    near = np.flatnonzero(part.t[1:] >= end - round(watch * NS)) if len(part) > _FEW else np.zeros(0, int)
    if not len(near):
        return None
    steps = np.diff(part.v)
    noise = 1.4826 * float(np.median(np.abs(steps[: near[0]]))) if near[0] >= _FEW else 0.0
    k = int(near[np.argmax(np.abs(steps[near]))])
    size = float(steps[k])
    name = _JUMP_LIMIT[ROLE_FACTS[point.role].dimension]
    limit = max(limits[name], limits["sensors.jump_noise"] * noise)
    if int(part.t[k + 1]) > trip.earliest_ns:
        limit *= limits["sensors.jump_at_stop_factor"]
    seconds = (int(part.t[k + 1]) - int(part.t[k])) / NS
    if abs(size) <= limit or seconds > limits["sensors.jump_interval_s"]:
        return None
    if (
        size < 0
        and point.role in _OIL
        and not _impossible_oil(subject, point, int(part.t[k + 1]), float(part.v[k + 1]))
    ):
        return None
    if _SUSPECT.get(point.role, 0.0) * size < 0:
        return None
    known, moved = _linked_moves(subject, point, (int(part.t[k]), min(int(part.t[k + 1]), trip.earliest_ns)), size)
    started = since_start_s(subject, int(part.t[k]))
    if started < limits["sensors.jump_after_start_s"]:
        return None
    at = int(np.searchsorted(point.t, part.t[k + 1]))
    return Jump(point=point, at=at, size=size, limit_name=name, ratio=abs(size) / limit, neighbours=known, moved=moved)


def _impossible_oil(subject: Subject, point: Samples, at_ns: int, value: float) -> bool:
    """Whether an oil reading lies where no blocked feed takes it: below suction.

    A feed that is shut falls within a second or two with everything else still, so the step alone shows nothing.
    """
    room_kpa = subject.limits["sensors.pressure_contradiction_kpa"]
    if point.role is Role.OIL_PRESSURE_DIFFERENCE:
        return value < -room_kpa
    suction = subject.record.fastest(Role.SUCTION_PRESSURE)
    low = None if suction is None else suction.before(at_ns, subject.limits["sensors.jump_interval_s"])
    return low is not None and value < low.value - room_kpa


def _with_rails(point: Samples) -> Samples:
    """Readings with those outside their range kept: a sensor that fails goes to its rail."""
    good = np.isfinite(point.v) & ((point.q & int(Quality.MISSING)) == 0)
    if bool(good.all()):
        return point
    return replace(point, t=point.t[good], v=point.v[good], q=point.q[good], row=point.row[good])


def since_start_s(subject: Subject, time_ns: int) -> float:
    """Least time since the last start before a moment, s; infinite where the record shows none."""
    begins = [run.begin for run in subject.runs if run.begin and run.begin.earliest_ns <= time_ns]
    # a start seen between two samples may lie as late as the second of them
    return (time_ns - min(max(begin.latest_ns for begin in begins), time_ns)) / NS if begins else float("inf")


def _linked_moves(
    subject: Subject, point: Samples, step_ns: tuple[int, int], size: float
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Which linked sensors are known across a step, and which of them (or the current) moved with it.

    A current that goes to nothing is the stop itself, not company.
    """
    limits = subject.limits
    before_ns, after_ns = step_ns
    off = limits["electrical.off_share"]
    known: list[str] = []
    moved: list[str] = []
    for role in (*_LINKED.get(point.role, ()), *_AMPS):
        other = subject.record.fastest(role)
        if other is None or other.interval_s > limits["sensors.jump_interval_s"]:
            continue
        unsure_s = widened(subject, point.origin.clock, other.origin.clock)
        if unsure_s > limits["sensors.jump_clock_s"]:
            continue
        first = other.before(before_ns - round(unsure_s * NS))
        last = other.before(after_ns + round(unsure_s * NS))
        if first is None or last is None:
            continue
        if role in _AMPS:
            share = abs(last.value - first.value) / max(abs(first.value), 1e-9)
            moves = share > limits["sensors.linked_share"] and abs(last.value) > off * abs(first.value)
        elif ROLE_FACTS[role].dimension is Dimension.TEMPERATURE:
            moves = abs(last.value - first.value) > limits["sensors.linked_k"]
        else:
            moves = abs(last.value - first.value) > limits["sensors.linked_share"] * abs(size)
        known.append(role.value)
        if moves:
            moved.append(role.value)
    return tuple(known), tuple(moved)


def _jump_finding(subject: Subject, check: str, jump: Jump) -> Finding:
    point, k = jump.point, jump.at
    span = (int(point.t[max(k - 1, 0)]), int(point.t[k]))
    stays = int(np.searchsorted(point.t, point.t[k] + 10 * NS)) - k
    unit = {"degC": "K"}.get(ROLE_FACTS[point.role].unit, ROLE_FACTS[point.role].unit)
    neighbours = ", ".join(jump.neighbours).replace("_", " ")
    still = f"; {neighbours} stood still" if neighbours else ""
    seconds = (span[1] - span[0]) / NS
    text = f"{in_words(point.role)} stepped by {jump.size:+.4g} {unit} within {seconds:g} s before the stop{still}"
    return make_finding(
        subject,
        check,
        Outcome.PRESENT,
        text,
        Value.exact(abs(jump.size), unit, jump.limit_name, above=True),
        Seen(span, rows_of(point, *span), point.interval_s, max(1, stays)),
    )
