"""A motor that runs on two lines, told from the voltages and one current where the three currents are not logged.

While it turns the motor holds the lost line by its own induced voltage, so that the voltages are uneven by some per
cent only and nothing reads zero; the lines that go on carry what the lost one did.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.electrics.phasors import unbalance_percent
from forensics.machine.citations import rows_of
from forensics.machine.duty.baseline import max_age_s
from forensics.machine.phases import (
    VOLTS,
    Bools,
    Floats,
    Phases,
    Times,
    before_failure,
    read_phases,
    stretches,
    trip_at_failure,
    widened,
)
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.electrical.motor import motor_current, past_start
from forensics.signatures.electrical.phases import phase_view

_FEW = 3


@dataclass(frozen=True, slots=True)
class TwoLineSpell:
    """A stretch of running with voltages as on two lines, ns UTC; the current over that just before, NaN: unknown."""

    start_ns: int
    end_ns: int
    percent: float
    rise: float
    samples: int


@kept_with_owner
def two_line_spells(subject: Subject) -> tuple[TwoLineSpell, ...]:
    """Stretches in which the voltages became as uneven as on two lines while the motor ran."""
    looked = _looked(subject)
    if looked is None:
        return ()
    phases, percent, amps, point = looked
    limits = subject.limits
    usual = float(np.nanmedian(percent))
    limit = max(limits["electrical.two_line_percent"], usual + limits["electrical.unbalance_growth"])
    on = np.isfinite(amps)
    found = []
    for a, b in stretches((percent >= limit) & on, phases.t, max(5 * phases.interval_s, 5.0)):
        if b == a:
            continue
        span = (int(phases.t[a]), int(phases.t[b]))
        back = span[0] - round(max(limits["electrical.before_s"], 6 * point.interval_s) * NS)
        calm = on & (percent < limit) & (phases.t >= back) & (phases.t < span[0])
        before = float(np.median(amps[calm])) if calm.sum() >= _FEW else float("nan")
        now = float(np.median(amps[a : b + 1]))
        rise = now / before if before > 0 else float("nan")
        found.append(TwoLineSpell(*span, float(np.median(percent[a : b + 1])), rise, b - a + 1))
    return tuple(found)


def _looked(subject: Subject) -> tuple[Phases, Floats, Floats, Samples] | None:
    """Voltages up to the failure, their unbalance in %, the current then (NaN: off or starting), its point."""
    phases, _ = read_phases(subject, VOLTS)
    point, _ = motor_current(subject)
    if phases is None or point is None:
        return None
    unsure_s = widened(subject, phases.clock, point.origin.clock)
    if not np.isfinite(unsure_s) or unsure_s > subject.limits["electrical.before_s"]:
        return None
    span = before_failure(subject)
    part = phases.between(span.start_ns, span.end_ns)
    if len(part.t) < _FEW:
        return None
    amps = point.at(part.t, max_age_s(point))
    rated = subject.machine.rated_load_amps or float(np.nanpercentile(point.v, 95))
    on = past_start(subject, part.t, np.nan_to_num(amps) / rated, (point,))
    return part, np.nan_to_num(unbalance_percent(part.v)), np.where(on, amps, np.nan), point


def by_volts_and_one_current(subject: Subject, check: str) -> Finding | None:
    """Whether a phase was lost, by voltages and one current; None where neither is there or neither tells.

    Present where the voltages became uneven and the current rose by what the lost line carried; open where only one
    of both did; absent where samples of 2 s or faster up to the stop show neither.
    """
    looked = _looked(subject)
    if looked is None:
        return None
    phases, percent, amps, point = looked
    limits = subject.limits
    spells = two_line_spells(subject)
    sure = [s for s in spells if s.rise >= limits["electrical.two_line_rise"]]
    if sure:
        spell = max(sure, key=lambda s: s.end_ns - s.start_ns)
        text = (
            f"the voltages became uneven by {spell.percent:.1f} % and the current rose to {spell.rise:.2f} times, "
            "as of a motor that runs on two lines"
        )
        span = (spell.start_ns, spell.end_ns)
        cites = phases.cites(*span) + rows_of(point, *span)
        measured = Value.exact(spell.rise, "1", "electrical.two_line_rise", above=True)
        seen = Seen(span, cites, phases.interval_s, spell.samples, clocks=(phases.clock, point.origin.clock))
        return make_finding(subject, check, Outcome.PRESENT, text, measured, seen)
    if any(not s.rise < limits["electrical.two_line_average"] for s in spells):
        why = "the voltages became uneven as on two lines, but one current alone does not tell that of the others"
        return cannot_tell(check, why, unlocked_by="log the three phase currents")
    last = np.flatnonzero(np.isfinite(amps))
    trip = trip_at_failure(subject)
    slow = max(phases.interval_s, point.interval_s) > limits["electrical.phase_interval_s"]
    if slow or not len(last) or trip is None:
        return None
    room = round((5 * phases.interval_s + limits["electrical.trip_reach_s"]) * NS)
    if spells or float(np.max(percent[last])) > limits["electrical.unbalance_growth"]:
        return None
    if trip.earliest_ns - int(phases.t[last[-1]]) > room:
        return None
    span = (int(phases.t[last[0]]), int(phases.t[last[-1]]))
    text = f"while the motor ran the voltages were uneven by no more than {float(np.max(percent[last])):.1f} %"
    seen = Seen(span, phases.cites(*span), phases.interval_s, len(last))
    return make_finding(subject, check, Outcome.ABSENT, text, Value(limit_name="electrical.two_line_percent"), seen)


def single_phase_mask(subject: Subject, t: Times, clock: str) -> Bools:
    """Stamps of another meter at which a phase was lost (or may have been), uncertainty of both clocks granted."""
    mask = np.zeros(len(t), bool)
    view = phase_view(subject)
    spans: list[tuple[int, int]] = []
    if not isinstance(view, str):
        unsure_s = 0.0 if clock == view.phases.clock else widened(subject, clock, view.phases.clock)
        room = round((min(unsure_s, 3600.0) + 2 * view.phases.interval_s) * NS)
        for spell in view.spells:
            if spell.verdict != "sensor":
                spans.append((int(view.phases.t[spell.first]) - room, int(view.phases.t[spell.last]) + room))
    else:
        least = subject.limits["electrical.two_line_rise"]
        spans += [(s.start_ns, s.end_ns + 1) for s in two_line_spells(subject) if s.rise >= least]
    for start, end in spans:
        a, b = np.searchsorted(t, [start, end])
        mask[a:b] = True
    return mask
