"""What a meter's trend shows of the supply: unbalance, undervoltage, dips, power lost."""

from __future__ import annotations

import numpy as np

from forensics.findings import Finding
from forensics.points import NS, OFF, Span
from forensics.signatures.base import Subject, cannot_tell
from forensics.signatures.duty import runs_of
from forensics.signatures.electrical_phases import single_phase_mask
from forensics.signatures.phases import (
    VOLTS,
    Bools,
    Floats,
    Measured,
    Phases,
    answer,
    before_failure,
    longest,
    read_phases,
    smoothed,
    stretches,
    trip_at_failure,
    widened,
)
from forensics.signatures.phasors import unbalance_percent
from forensics.vocabulary import Outcome, Recorded, Role

_LIVE_SHARE = 0.5
_FEW = 3


def reference_volts(subject: Subject, phases: Phases) -> float | None:
    """Declared voltage where it fits what is measured, else the measured median while the supply is live."""
    if not len(phases.t):
        return None
    top = phases.v.max(axis=0)
    live = top[top > _LIVE_SHARE * np.percentile(top, 95)]
    if not len(live) or float(np.median(live)) <= 0:
        return None
    own = float(np.median(live))
    given = subject.machine.supply_volts
    return given if given and abs(own / given - 1) <= subject.limits["electrical.declared_band"] else own


def _window_volts(subject: Subject, check: str) -> tuple[Phases, float] | Finding:
    phases, why = read_phases(subject, VOLTS)
    if phases is None:
        return cannot_tell(check, why)
    span = before_failure(subject)
    part = phases.between(span.start_ns, span.end_ns)
    volts = reference_volts(subject, part)
    if volts is None:
        return cannot_tell(check, "no voltage was measured in the window")
    return part, volts


def _covers_failure(subject: Subject, phases: Phases) -> bool:
    """Whether readings go on to the failure, a few intervals granted."""
    if not len(phases.t):
        return False
    late_s = (subject.record.failure_ns - int(phases.t[-1])) / NS
    return late_s <= max(5 * phases.interval_s, subject.limits["duty.failure_reach"])


def voltage_unbalance(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the line voltages were unbalanced for long (NEMA MG 1, clause 14.36).

    Spells with a phase lost are left out: they are another finding. With the motor off the unbalance is the supply's
    own; the statement says it.
    """
    check = "electrical.voltage_unbalance"
    got = _window_volts(subject, check)
    if isinstance(got, Finding):
        return (got,)
    phases, volts = got
    percent = smoothed(unbalance_percent(phases.v), phases.interval_s, subject.limits["electrical.smoothing_s"])
    usable = (phases.v.max(axis=0) > _LIVE_SHARE * volts) & np.isfinite(percent)
    usable &= ~single_phase_mask(subject, phases.t, phases.clock)
    usable &= percent < subject.limits["electrical.open_phase_percent"]
    if usable.sum() < _FEW:
        return (cannot_tell(check, "no voltage readings in the window without a phase lost"),)
    limit = subject.limits["electrical.voltage_unbalance_max"]
    found = _lasting(subject, percent > limit, usable, phases)
    severe = percent > subject.limits["electrical.voltage_unbalance_severe"]
    found = found or _lasting(subject, severe, usable, phases, "electrical.unbalance_severe_s")
    off = _off_mask(subject, phases)
    words = _words_on_off(percent, usable, off)
    if found is not None:
        a, b = found
        inside = usable[a : b + 1]
        part, count = percent[a : b + 1][inside], int(inside.sum())
        text = f"{float(np.median(part)):.1f} % for {(phases.t[b] - phases.t[a]) / NS / 60:.0f} min ({words})"
        value = float(np.median(part))
        low, high = (float(x) for x in np.percentile(part, [10, 90]))
        span, outcome = (int(phases.t[a]), int(phases.t[b])), Outcome.PRESENT
    else:
        if not _covers_failure(subject, phases):
            return (cannot_tell(check, "the voltages end before the failure"),)
        value = float(np.percentile(percent[usable], 95))
        low, high = float(np.median(percent[usable])), value
        text, count = f"95 of 100 readings within {value:.1f} % ({words})", int(usable.sum())
        span, outcome = (int(phases.t[0]), int(phases.t[-1])), Outcome.ABSENT
    return (
        answer(
            subject,
            check,
            outcome,
            text,
            Measured(
                span_ns=span,
                samples=count,
                cites=phases.cites(*span),
                interval_s=phases.interval_s,
                value=value,
                low=low,
                high=high,
                unit="%",
                limit_name="electrical.voltage_unbalance_max",
                above=True,
            ),
        ),
    )


def _lasting(
    subject: Subject, beyond: Bools, usable: Bools, phases: Phases, lasting: str = "electrical.unbalance_lasting_s"
) -> tuple[int, int] | None:
    """The longest stretch beyond a limit that lasts, two samples at least; unusable samples do not end it."""
    index = np.flatnonzero(usable)
    gap_s = max(5 * phases.interval_s, subject.limits["electrical.gap_s"])
    best = longest(stretches(beyond[index], phases.t[index], gap_s), phases.t[index])
    if best is None:
        return None
    a, b = int(index[best[0]]), int(index[best[1]])
    return (a, b) if (phases.t[b] - phases.t[a]) / NS >= subject.limits[lasting] and b > a else None


def _off_mask(subject: Subject, phases: Phases) -> Bools:
    """Stamps at which the motor surely stood, the clock's uncertainty granted."""
    unsure_s = widened(subject, phases.clock)
    spans = runs_of(subject)
    if not np.isfinite(unsure_s) or not spans:
        return np.zeros(len(phases.t), bool)
    off = np.ones(len(phases.t), bool)
    margin = round((unsure_s + max(3 * phases.interval_s, 10.0)) * NS)
    for span in spans:
        a, b = np.searchsorted(phases.t, [span.start_ns - margin, span.end_ns + margin])
        off[a:b] = False
    return off


def _words_on_off(percent: Floats, usable: Bools, off: Bools) -> str:
    on, still = percent[usable & ~off], percent[usable & off]
    parts = []
    if len(on) >= _FEW:
        parts.append(f"median {float(np.median(on)):.1f} % with the motor on")
    if len(still) >= _FEW:
        parts.append(f"{float(np.median(still)):.1f} % with the motor off, which is the supply's own")
    return ", ".join(parts) or "motor state unknown"


def _start_mask(subject: Subject, phases: Phases) -> Bools:
    """Stamps about a start, at which the motor's own inrush draws the voltage down."""
    unsure_s = widened(subject, phases.clock)
    mask = np.zeros(len(phases.t), bool)
    before = round((min(unsure_s, 3600.0) + 2 * phases.interval_s) * NS)
    after = round((min(unsure_s, 3600.0) + subject.limits["electrical.start_s"]) * NS)
    for span in runs_of(subject):
        a, b = np.searchsorted(phases.t, [span.start_ns - before, span.start_ns + after])
        mask[a:b] = True
    return mask


def undervoltage(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the supply stayed below 90 % of declared voltage (NEMA MG 1 clause 12.44, IEC 61000-4-30)."""
    check = "electrical.undervoltage"
    got = _window_volts(subject, check)
    if isinstance(got, Finding):
        return (got,)
    phases, volts = got
    share = smoothed(phases.v, phases.interval_s, subject.limits["electrical.smoothing_s"]).min(axis=0) / volts
    lost = single_phase_mask(subject, phases.t, phases.clock)
    open_ = unbalance_percent(phases.v) >= subject.limits["electrical.open_phase_percent"]
    usable = (
        ~_start_mask(subject, phases)
        & ~lost
        & ~np.nan_to_num(open_)
        & (share > subject.limits["electrical.dead_share"])
    )
    if usable.sum() < _FEW:
        return (cannot_tell(check, "no voltage readings in the window outside starts and lost phases"),)
    name = "electrical.undervoltage_share"
    found = _lasting(subject, share < subject.limits[name], usable, phases, "electrical.undervoltage_lasting_s")
    if found is None and not _covers_failure(subject, phases):
        return (cannot_tell(check, "the voltages end before the failure"),)
    a, b = found if found else (int(np.flatnonzero(usable)[0]), int(np.flatnonzero(usable)[-1]))
    part = share[a : b + 1][usable[a : b + 1]]
    value = float(np.median(part)) if found else float(np.percentile(part, 1))
    text = f"{100 * value:.0f} % of {volts:.0f} V"
    text += f" for {(phases.t[b] - phases.t[a]) / NS:.0f} s" if found else " was the lowest that lasted"
    span = (int(phases.t[a]), int(phases.t[b]))
    return (
        answer(
            subject,
            check,
            Outcome.PRESENT if found else Outcome.ABSENT,
            text,
            Measured(
                span_ns=span,
                samples=len(part),
                cites=phases.cites(*span),
                interval_s=phases.interval_s,
                value=value,
                low=float(part.min()),
                high=float(part.max()),
                unit="1",
                limit_name=name,
                above=False,
            ),
        ),
    )


def supply_dip(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the supply dipped at the failure: below 90 % and back, outside starts (IEC 61000-4-30).

    Dips last 0.1 to 2 s. Instantaneous samples slower than that can show one but never exclude it; recorded minima can.
    """
    check = "electrical.supply_dip"
    phases, why = read_phases(subject, VOLTS)
    if phases is None:
        return (cannot_tell(check, why),)
    whole = before_failure(subject)
    after_ns = round(subject.limits["electrical.dip_after_s"] * NS)
    part = phases.between(whole.start_ns, whole.end_ns + after_ns)
    volts = reference_volts(subject, part)
    if volts is None:
        return (cannot_tell(check, "no voltage was measured in the window"),)
    unsure_s = widened(subject, part.clock)
    if not np.isfinite(unsure_s):
        return (cannot_tell(check, f"the clock '{part.clock}' of the voltages could not be placed"),)
    share = part.v.min(axis=0) / volts
    name = "electrical.dip_share"
    usable = ~_start_mask(subject, part) & ~single_phase_mask(subject, part.t, part.clock)
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
        return (_dip_answer(subject, check, Outcome.PRESENT, text, span, part, lowest, b - a + 1),)
    if not (near & usable).any():
        return (cannot_tell(check, "no voltage readings at the failure outside a start"),)
    seen = all(p.origin.recorded is Recorded.MINIMUM for p in part.points)
    if not seen and part.interval_s > subject.limits["electrical.dip_shortest_s"]:
        return (cannot_tell(check, f"a dip of 0.1 to 2 s may fall between samples {part.interval_s:g} s apart"),)
    lowest = float(share[near & usable].min())
    if lowest < subject.limits[name]:
        why = f"the voltage stood at {100 * lowest:.0f} %: low for longer than a dip, or not seen to come back"
        return (cannot_tell(check, why),)
    span = (int(part.t[near][0]), int(part.t[near][-1]))
    text = f"{100 * lowest:.0f} % was the lowest at the failure"
    return (_dip_answer(subject, check, Outcome.ABSENT, text, span, part, lowest, int((near & usable).sum())),)


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
    return answer(
        subject,
        check,
        outcome,
        text,
        Measured(
            span_ns=span,
            samples=samples,
            cites=part.cites(*span),
            interval_s=part.interval_s,
            value=lowest,
            unit="1",
            limit_name="electrical.dip_share",
            above=False,
            clocks=(part.clock, *(p.origin.clock for p in subject.record.samples.get(Role.MOTOR_AMPS, ())[:1])),
        ),
    )


def power_lost(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether power was lost at the failure: all voltages gone, or every source silent from the stop on.

    A logger on its own supply goes on while the machine has none, so samples that go on exclude nothing; voltages
    that stand, or a stop that was commanded first, do.
    """
    check = "electrical.power_lost"
    trip = trip_at_failure(subject)
    if trip is None:
        return (cannot_tell(check, "the record shows no stop of the motor at the failure"),)
    by_volts = _power_by_volts(subject, check, trip.earliest_ns, trip.latest_ns)
    if by_volts is not None:
        return (by_volts,)
    silent = _silence(subject, trip.earliest_ns, trip.latest_ns)
    if silent is not None:
        text = f"every source falls silent at the stop, the shortest for {silent.seconds:.0f} s"
        points = [p for found in subject.record.samples.values() for p in found]
        return (
            answer(
                subject,
                check,
                Outcome.PRESENT,
                text,
                Measured(
                    span_ns=(silent.start_ns, silent.end_ns),
                    samples=len({p.origin.source for p in points}),
                    cites=(),
                    interval_s=min(p.interval_s for p in points),
                    value=silent.seconds,
                    unit="s",
                    limit_name="electrical.silence_s",
                    above=True,
                ),
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
        return (
            answer(
                subject,
                check,
                Outcome.ABSENT,
                text,
                Measured(
                    span_ns=(trip.earliest_ns, trip.latest_ns), samples=1, cites=(), interval_s=command.interval_s
                ),
            ),
        )
    return (
        cannot_tell(check, "no supply voltage is logged and the sources go on, as a logger on its own supply does"),
    )


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
    return answer(
        subject,
        check,
        Outcome.PRESENT if count else Outcome.ABSENT,
        text,
        Measured(
            span_ns=span,
            samples=count or len(part.t),
            cites=part.cites(*span),
            interval_s=part.interval_s,
            value=lowest,
            unit="1",
            limit_name="electrical.dead_share",
            above=False,
        ),
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
