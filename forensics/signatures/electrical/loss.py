"""The supply at the failure: did it dip, and was it lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.electrics.phasors import unbalance_percent
from forensics.machine.phases import (
    VOLTS,
    Bools,
    Floats,
    Phases,
    Trip,
    before_failure,
    read_phases,
    stretches,
    trip_at_failure,
    widened,
)
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS, OFF, Span
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.rules.detectability import chance_of_a_sample, read_short_events
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing, stopped
from forensics.signatures.electrical.supply import reference_volts, start_mask
from forensics.signatures.electrical.two_lines import single_phase_mask

_FEW = 3


@detector("electrical.supply_dip", nothing)
def supply_dip(subject: Subject, check: str) -> Finding:
    """Decide whether the supply dipped at the failure: below 90 % and back, outside starts (IEC 61000-4-30).

    Instantaneous samples slower than a cycle can show a dip but never exclude it, recorded minima can; the chance that
    they would have caught one is told.
    """
    phases, why = read_phases(subject, VOLTS)
    if phases is None:
        return cannot_tell(check, why)
    whole = before_failure(subject)
    after_ns = round(subject.limits["electrical.dip_after_s"] * NS)
    part = phases.between(whole.start_ns, whole.end_ns + after_ns)
    volts = reference_volts(subject, part)
    if volts is None:
        return cannot_tell(check, "no voltage was measured in the window")
    unsure_s = widened(subject, part.clock)
    if not np.isfinite(unsure_s):
        return cannot_tell(check, f"the clock '{part.clock}' of the voltages could not be placed")
    share = part.v.min(axis=0) / volts
    name = "electrical.dip_share"
    usable = ~start_mask(subject, part) & ~single_phase_mask(subject, part.t, part.clock)
    usable &= ~np.nan_to_num(unbalance_percent(part.v) >= subject.limits["electrical.open_phase_percent"])
    near = _near_trip(subject, part, unsure_s)
    longest_s = subject.limits["electrical.dip_longest_s"]
    dips = [
        (a, b)
        for a, b in stretches((share < subject.limits[name]) & usable, part.t, 5 * part.interval_s)
        if a > 0 and b < len(share) - 1 and (part.t[b + 1] - part.t[a - 1]) / NS <= longest_s and near[a : b + 1].any()
    ]
    if dips:
        a, b = min(dips, key=lambda pair: float(share[pair[0] : pair[1] + 1].min()))
        lowest = float(share[a : b + 1].min())
        span = (int(part.t[a]), int(part.t[b]))
        text = f"down to {100 * lowest:.0f} % of {volts:.0f} V for {b - a + 1} samples, at the failure"
        return _dip_answer(subject, check, Outcome.PRESENT, text, span, part=part, lowest=lowest, samples=b - a + 1)
    if not (near & usable).any():
        return cannot_tell(check, "no voltage readings at the failure outside a start")
    lowest = float(share[near & usable].min())
    if lowest < subject.limits[name]:
        why = f"the voltage stood at {100 * lowest:.0f} %: low for longer than a dip, or not seen to come back"
        return cannot_tell(check, why)
    seen = all(p.origin.recorded is Recorded.MINIMUM for p in part.points)
    if not seen and part.interval_s > subject.limits["electrical.dip_shortest_s"]:
        return _not_caught(subject, check, part, share, near & usable)
    span = (int(part.t[near][0]), int(part.t[near][-1]))
    text = f"{100 * lowest:.0f} % was the lowest at the failure"
    found = _dip_answer(
        subject, check, Outcome.ABSENT, text, span, part=part, lowest=lowest, samples=int((near & usable).sum())
    )
    return replace(found, detectable=subject.limits[name])


def _not_caught(subject: Subject, check: str, part: Phases, share: Floats, chosen: Bools) -> Finding:
    """Neither seen nor excluded: the lowest reading, and the chance that samples so far apart catch a usual dip."""
    event = next(e for e in read_short_events() if check in e.checks)
    chance = chance_of_a_sample(event.length_s, part.interval_s)
    lowest = float(share[chosen].min())
    span = (int(part.t[chosen][0]), int(part.t[chosen][-1]))
    text = (
        f"{100 * lowest:.0f} % was the lowest sample; a dip of {event.length_s:g} s had {100 * chance:.0f} % chance of "
        f"being caught, one of {part.interval_s:g} s and longer was not there"
    )
    return make_finding(
        subject,
        check,
        Outcome.CANNOT_TELL,
        text,
        Value(None, None, lowest, "1", "electrical.dip_share", above=False),
        seen=Seen(span, part.cites(*span), part.interval_s, int(chosen.sum())),
        why_not=f"a shorter dip falls between samples {part.interval_s:g} s apart",
    )


def _near_trip(subject: Subject, part: Phases, unsure_s: float) -> Bools:
    trip = trip_at_failure(subject)
    first = subject.record.failure_ns if trip is None else min(trip.earliest_ns, subject.record.failure_ns)
    last = subject.record.failure_ns if trip is None else max(trip.latest_ns, subject.record.failure_ns)
    room = round((subject.limits["electrical.dip_before_s"] + unsure_s + 2 * part.interval_s) * NS)
    return np.asarray((part.t >= first - room) & (part.t <= last + room))


def _dip_answer(
    subject: Subject,
    check: str,
    outcome: Outcome,
    text: str,
    span: tuple[int, int],
    part: Phases,
    lowest: float,
    samples: int,
) -> Finding:
    return make_finding(
        subject,
        check,
        outcome,
        text,
        Value.exact(lowest, "1", "electrical.dip_share", above=False),
        Seen(
            span,
            part.cites(*span),
            part.interval_s,
            samples,
            clocks=(part.clock, *(p.origin.clock for p in subject.record.samples.get(Role.MOTOR_AMPS, ())[:1])),
        ),
    )


@detector("electrical.power_lost", stopped)
def power_lost(subject: Subject, check: str, trip: Trip) -> Finding:
    """Decide whether power was lost at the failure: all voltages gone, or every source silent from the stop on.

    A logger on its own supply goes on while the machine has none, so samples that go on exclude nothing; voltages
    that stand, or a stop that was commanded first, do.
    """
    by_volts = _power_by_volts(subject, check, trip.earliest_ns, trip.latest_ns)
    if by_volts is not None:
        return by_volts
    silent = _silence(subject, trip.earliest_ns, trip.latest_ns)
    if silent is not None:
        text = f"every source falls silent at the stop, the shortest for {silent.seconds:.0f} s"
        points = [p for found in subject.record.samples.values() for p in found]
        return make_finding(
            subject,
            check,
            Outcome.PRESENT,
            text,
            Value.exact(silent.seconds, "s", "electrical.silence_s", above=True),
            Seen(
                (silent.start_ns, silent.end_ns),
                (),
                min(p.interval_s for p in points),
                len({p.origin.source for p in points}),
            ),
        )
    command = subject.record.switch(Role.RUN_COMMAND)
    unsure_s = widened(subject, command.origin.clock) if command is not None else float("inf")
    room = round((unsure_s + command.interval_s) * NS) if command is not None and np.isfinite(unsure_s) else None
    if (
        command is not None
        and room is not None
        and any(
            e.to == OFF and trip.earliest_ns - 60 * NS <= e.latest_ns <= trip.earliest_ns - room for e in command.edges
        )
    ):
        text = "the run command was taken away before the current ended"
        return make_finding(
            subject,
            check,
            Outcome.ABSENT,
            text,
            seen=Seen((trip.earliest_ns, trip.latest_ns), (), command.interval_s, 1),
        )
    return cannot_tell(check, "no supply voltage is logged and the sources go on, as a logger on its own supply does")


def _power_by_volts(subject: Subject, check: str, first_ns: int, last_ns: int) -> Finding | None:
    phases, _ = read_phases(subject, VOLTS)
    if phases is None:
        return None
    unsure_s = widened(subject, phases.clock)
    volts = reference_volts(subject, phases)
    if not np.isfinite(unsure_s) or volts is None:
        return None
    room = round((unsure_s + max(3 * phases.interval_s, subject.limits["electrical.power_reach_s"])) * NS)
    part = phases.between(first_ns - room, last_ns + room)
    if len(part.t) < _FEW or part.t[0] > first_ns or part.t[-1] < last_ns:
        return None
    share = part.v.max(axis=0) / volts
    dead = share < subject.limits["electrical.dead_share"]
    lowest = float(share.min())
    count = int(dead.sum())
    fast = part.interval_s <= subject.limits["electrical.power_interval_s"]
    if not count and not fast:
        return None
    text = f"all three voltages fell to {100 * lowest:.0f} %" if count else f"the voltage stood at {100 * lowest:.0f} %"
    span = (int(part.t[0]), int(part.t[-1]))
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if count else Outcome.ABSENT,
        text,
        Value.exact(lowest, "1", "electrical.dead_share", above=False),
        Seen(span, part.cites(*span), part.interval_s, count or len(part.t)),
    )


def _silence(subject: Subject, first_ns: int, last_ns: int) -> Span | None:
    """The gap about a stop that all periodic sources share; None where any source goes on, or they are too few."""
    gaps: dict[str, Span] = {}
    for found in subject.record.samples.values():
        for point in found:
            if point.origin.recorded is Recorded.CHANGE or point.origin.source in gaps or len(point) < _FEW:
                continue
            if not np.isfinite(widened(subject, point.origin.clock)):
                return None
            reach = round((widened(subject, point.origin.clock) + 2 * point.interval_s) * NS)
            at = int(np.searchsorted(point.t, last_ns - reach, side="left"))
            around = point.t[max(at - 2, 0) : at + 8]
            if len(around) < _FEW:
                return None
            steps = np.diff(around)
            k = int(np.argmax(steps))
            if not (first_ns - reach <= around[k] <= last_ns + reach):
                return None
            gaps[point.origin.source] = Span(int(around[k]), int(around[k + 1]))
            if steps[k] / NS < max(10 * point.interval_s, subject.limits["electrical.silence_s"]):
                return None
    return min(gaps.values(), key=lambda s: s.seconds) if gaps else None
