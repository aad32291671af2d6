"""Whether the data bear out what the trip's text says: its own sensor, and what must move with it."""

from __future__ import annotations

import numpy as np

from forensics.machine.citations import rows_of, rows_of_each
from forensics.machine.phases import AMPS, Floats, Trip, widened
from forensics.machine.subject import Subject
from forensics.machine.trip_words import Quantity
from forensics.model.findings import Finding
from forensics.model.points import NS, Samples
from forensics.model.record import LogLine
from forensics.model.role_words import in_words
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Outcome, Recorded, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import stopped, trip_told
from forensics.signatures.sensors.jump import no_true_step, since_start_s, stepped_alone
from forensics.signatures.sensors.uncorroborated import stood_alone


def _approach(subject: Subject, point: Samples, trip: Trip) -> tuple[Floats, Floats]:
    """The last readings before the stop, and the machine's earlier ones in settled running."""
    limits = subject.limits
    good = point.usable
    end = trip.earliest_ns
    last = good.between(end - round(max(limits["sensors.approach_s"], 2 * point.interval_s) * NS), end + 1)
    if point.origin.recorded is Recorded.CHANGE and not len(last):
        held = good.before(end)
        values = np.array([held.value]) if held is not None else np.zeros(0)
    else:
        values = last.v
    earlier: list[Floats] = []
    settle = round(limits["duty.settle_after_start"] * NS)
    stop_early = round(limits["duty.settle_before_stop"] * NS)
    until = end - round(limits["sensors.earlier_s"] * NS)
    for run in subject.runs[-50:]:
        part = good.between(run.first_ns + settle, min(run.last_ns - stop_early, until))
        earlier.append(part.v)
    return values, np.concatenate(earlier) if earlier else np.zeros(0)


def _excursion(subject: Subject, point: Samples, trip: Trip, side: str) -> tuple[float, float, bool] | None:
    """How far the last readings lie outside the earlier ones, the machine's own span, and whether they do."""
    values, earlier = _approach(subject, point, trip)
    if not len(values) or len(earlier) < subject.limits["sensors.earlier_samples"]:
        return None
    low, high = (float(x) for x in np.percentile(earlier, [1, 99]))
    spread = max(high - low, _least_span(subject, point))
    over, under = float(values.max()) - high, low - float(values.min())
    out = {"high": over, "low": under, "either": max(over, under)}[side]
    return out, spread, out > subject.limits["sensors.excursion_share"] * spread


def _least_span(subject: Subject, point: Samples) -> float:
    """Least own span to hold a move against: noise of a steady sensor is no span."""
    dimension = ROLE_FACTS[point.role].dimension
    if dimension is Dimension.TEMPERATURE:
        return subject.limits["sensors.least_span_k"]
    if dimension in (Dimension.PRESSURE, Dimension.PRESSURE_DIFFERENCE):
        return subject.limits["sensors.least_span_kpa"]
    return subject.limits["sensors.least_span_share"] * float(np.nanpercentile(np.abs(point.v), 95))


def _spoken(subject: Subject, check: str) -> tuple[Quantity, LogLine, Trip] | Finding:
    trip = stopped(subject, check)
    if isinstance(trip, Finding):
        return trip
    texts = trip_told(subject, check)
    return texts if isinstance(texts, Finding) else (*texts[0][0], *trip)


@detector("sensors.trip_text_unsupported", _spoken)
def trip_text_unsupported(subject: Subject, check: str, quantity: Quantity, line: LogLine, trip: Trip) -> Finding:
    """Decide whether the trip named a quantity whose own sensor, up to the stop, was where it always is.

    Sensors of the quantity are held against the machine's own earlier running; for oil and current also against the
    level that no protection trips at. A reading that left its range by a step that nothing true makes, or alone among
    what must move with it, bears out nothing. A log too slow for the excursion, or a start, is cannot-tell.
    """
    if not quantity.sensors:
        return cannot_tell(check, f"'{line.text or line.point}' names no quantity that a sensor here measures")
    if since_start_s(subject, trip.earliest_ns) < subject.limits["duty.settle_after_start"]:
        return cannot_tell(check, "the stop falls into the start, where the machine has no usual level")
    seen: list[tuple[Samples, float, float, bool]] = []
    for role in quantity.sensors:
        point = subject.record.point(role)
        if point is None or point.interval_s > subject.limits["sensors.text_interval_s"]:
            continue
        found = _excursion(subject, point, trip, quantity.side)
        if found is not None:
            seen.append((point, *found))
    if not seen:
        names = " or ".join(role.value for role in quantity.sensors)
        why = f"no {names} at 10 s or faster with earlier running to hold it against"
        return cannot_tell(check, why, lacking=quantity.sensors)
    moved = [item for item in seen if item[3]]
    point, out, spread, outside = moved[0] if moved else seen[0]
    share = out / spread
    if not moved and not _plainly_normal(subject, quantity, trip):
        return cannot_tell(check, f"{point.role.value} kept its usual range, which may be where the protection acts")
    false_step = bool(moved) and all(no_true_step(subject, item[0], trip) for item in moved)
    alone = bool(moved) and moved[0][0].role in stood_alone(subject)
    unsupported = not outside or false_step or alone
    if not unsupported and all(stepped_alone(subject, item[0], trip) for item in moved):
        return cannot_tell(check, f"{point.role.value} bears it out, but by a step that nothing else shared")
    span = (trip.earliest_ns - round(subject.limits["sensors.approach_s"] * NS), trip.earliest_ns)
    which = "left" if outside else "stayed in"
    text = f"'{line.text or line.point}': {in_words(point.role)} {which} the machine's own range before the stop"
    text += ", by a step that nothing true makes and nothing else shared" if false_step else ""
    text += ", alone among what must move with it" if alone and not false_step else ""
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if unsupported else Outcome.ABSENT,
        text,
        Value.exact(share, "1", "sensors.excursion_share", above=False),
        Seen(span, rows_of(point, *span), point.interval_s, max(len(point.between(*span)), 1)),
    )


def _plainly_normal(subject: Subject, quantity: Quantity, trip: Trip) -> bool:
    """Whether the quantity was far from where any protection acts, not only inside its own range."""
    limits = subject.limits
    back = trip.earliest_ns - round(limits["sensors.approach_s"] * NS)

    def last(role: Role, since_ns: int = back) -> Floats:
        point = subject.record.point(role)
        if point is None or point.interval_s > limits["sensors.text_interval_s"]:
            return np.zeros(0)
        return point.usable.between(since_ns, trip.earliest_ns + 1).v

    def below(role: Role, name: str) -> bool:
        values = last(role)
        return len(values) > 0 and float(values.max()) < limits[name]

    if quantity.name == "overload":
        rated = subject.machine.rated_load_amps
        since = trip.earliest_ns - round(limits["sensors.overload_back_s"] * NS)
        tops = [float(v.max()) for role in AMPS if len(v := last(role, since))]
        clear = limits["sensors.overload_clear_share"]
        return rated is not None and len(tops) == len(AMPS) and max(tops) < clear * rated
    if quantity.name in ("oil_pressure", "oil_filter"):
        difference = last(Role.OIL_PRESSURE_DIFFERENCE)
        if not len(difference) and (oil := subject.record.point(Role.OIL_PRESSURE)) is not None:
            part, suction = oil.usable.between(back, trip.earliest_ns + 1), subject.record.point(Role.SUCTION_PRESSURE)
            difference = part.v - suction.at(part.t, 30.0) if suction is not None else np.zeros(0)
        difference = difference[np.isfinite(difference)]
        return len(difference) > 0 and float(difference.min()) > limits["sensors.oil_clear_kpa"]
    if quantity.name in ("high_pressure", "low_pressure") and subject.saturation is not None:
        high = quantity.name == "high_pressure"
        roles = (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE, Role.HIGH_SIDE_PRESSURE)
        found = [v for role in (roles if high else (Role.SUCTION_PRESSURE,)) if len(v := last(role))]
        if not found:
            return False
        dew = subject.saturation.dew_c(np.concatenate(found))
        if not np.isfinite(dew).all():
            return False
        clear = limits["sensors.condensing_clear_c" if high else "sensors.evaporating_clear_c"]
        return float(dew.max()) < clear if high else float(dew.min()) > clear
    if quantity.name == "freeze":
        values = last(Role.CHILLED_WATER_LEAVING)
        return len(values) > 0 and float(values.min()) > limits["sensors.water_clear_c"]
    levels = {
        "discharge_temperature": (Role.DISCHARGE_TEMPERATURE, "sensors.discharge_clear_c"),
        "oil_temperature": (Role.OIL_TEMPERATURE, "sensors.oil_temperature_clear_c"),
        "winding_temperature": (Role.WINDING_TEMPERATURE, "sensors.winding_clear_c"),
    }
    return quantity.name in levels and below(*levels[quantity.name])


@detector("sensors.neighbours_unmoved", _spoken)
def neighbours_unmoved(subject: Subject, check: str, quantity: Quantity, line: LogLine, trip: Trip) -> Finding:
    """Decide whether the quantity that tripped left its range alone, while what must move with it stood still.

    Only links that physics forces are asked (they are in the table of trip words), and only of a move that took
    minutes at most: what moves slowly is lost among changes of duty.
    """
    if not quantity.neighbours:
        return cannot_tell(check, f"nothing has to move at once with {quantity.title} for physical reasons")
    if since_start_s(subject, trip.earliest_ns) < subject.limits["duty.settle_after_start"]:
        return cannot_tell(check, "the stop falls into the start, where everything moves")
    moved = _fast_move(subject, quantity, trip)
    if isinstance(moved, str):
        return cannot_tell(check, moved)
    point, left_ns, size = moved
    others = [
        (other, share)
        for role in dict.fromkeys((*quantity.neighbours, *quantity.sensors))
        if role is not point.role
        and (other := subject.record.point(role)) is not None
        and (share := _moved_since(subject, other, left_ns, trip, size)) is not None
    ]
    if not others:
        return cannot_tell(check, f"nothing that must move with {point.role.value} is logged at 10 s or faster")
    followed = [in_words(other.role) for other, share in others if share > 1]
    names = ", ".join(in_words(other.role) for other, _ in others)
    span = (left_ns, trip.earliest_ns)
    text = f"'{line.text or line.point}': {in_words(point.role)} left its range, "
    text += f"with it {', '.join(followed)}" if followed else f"{names} did not move with it"
    return make_finding(
        subject,
        check,
        Outcome.ABSENT if followed else Outcome.PRESENT,
        text,
        Value.exact(max(share for _, share in others), "1", "sensors.still_share", above=False),
        Seen(
            span,
            rows_of_each((point, *(other for other, _ in others)), *span),
            point.interval_s,
            max(len(point.between(span[0], span[1] + 1)) - 1, 1),
        ),
    )


def _fast_move(subject: Subject, quantity: Quantity, trip: Trip) -> tuple[Samples, int, float] | str:
    """The sensor that left its own range, when it did, and by how much; or why that can't be said."""
    limits = subject.limits
    best: tuple[Samples, int, float] | None = None
    top = 0.0
    for role in quantity.sensors:
        point = subject.record.point(role)
        if point is None or point.interval_s > limits["sensors.text_interval_s"]:
            continue
        found = _excursion(subject, point, trip, quantity.side)
        if found is None or not found[2] or found[0] / found[1] <= top:
            continue
        _, earlier = _approach(subject, point, trip)
        low, high = (float(x) for x in np.percentile(earlier, [1, 99]))
        # the last samples before the stop may be caught half-way down: they are no return into the range
        until = trip.earliest_ns - round(2 * point.interval_s * NS)
        part = point.usable.between(subject.record.history.start_ns, until)
        inside = np.flatnonzero((part.v >= low) & (part.v <= high))
        if len(inside):
            top = found[0] / found[1]
            best = (point, int(part.t[inside[-1]]), found[0])
    if best is None:
        return f"no sensor of {quantity.title} at 10 s or faster left its range before the stop"
    if (trip.earliest_ns - best[1]) / NS > limits["sensors.fast_excursion_s"]:
        return f"{best[0].role.value} left its range slowly: its neighbours can't be told from changes of duty"
    return best


def _moved_since(subject: Subject, other: Samples, left_ns: int, trip: Trip, size: float) -> float | None:
    """How much a neighbour moved since a moment, as a share of what counts as a move; None where it isn't seen."""
    limits = subject.limits
    if other.interval_s > limits["sensors.text_interval_s"]:
        return None
    unsure_s = widened(subject, other.origin.clock)
    if unsure_s > limits["sensors.jump_clock_s"]:
        return None
    room = round(unsure_s * NS)
    before = other.usable.between(left_ns - 300 * NS, left_ns - room + 1).v
    end = trip.earliest_ns - room
    after = other.usable.between(end - round(max(10.0, 3 * other.interval_s) * NS), end + 1).v
    if not len(before) or not len(after):
        return None
    change = abs(float(np.median(after[-3:])) - float(np.median(before)))
    dimension = ROLE_FACTS[other.role].dimension
    if dimension is Dimension.TEMPERATURE:
        return change / limits["sensors.linked_k"]
    if dimension in (Dimension.PRESSURE, Dimension.PRESSURE_DIFFERENCE):
        return change / max(limits["sensors.linked_share"] * abs(size), limits["sensors.linked_kpa"])
    return change / max(limits["sensors.linked_share"] * abs(float(np.median(before))), 1e-9)
