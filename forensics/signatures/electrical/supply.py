"""What a meter's trend shows of the supply while it lasts: unbalance, undervoltage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.electrics.phasors import unbalance_percent
from forensics.machine.duty.baseline import runs_of
from forensics.machine.phases import (
    VOLTS,
    Bools,
    Floats,
    Phases,
    before_failure,
    longest,
    read_phases,
    smoothed,
    stretches,
    widened,
)
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.electrical.two_lines import single_phase_mask

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


def window_volts(subject: Subject, check: str) -> tuple[Phases, float] | Finding:
    """The voltages up to the failure and what they are held against, V, as the need of a check."""
    phases, why = read_phases(subject, VOLTS)
    if phases is None:
        return cannot_tell(check, why)
    span = before_failure(subject)
    part = phases.between(span.start_ns, span.end_ns)
    volts = reference_volts(subject, part)
    if volts is None:
        return cannot_tell(check, "no voltage was measured in the window")
    return part, volts


def covers_failure(subject: Subject, phases: Phases) -> bool:
    """Whether readings go on to the failure, a few intervals granted."""
    if not len(phases.t):
        return False
    late_s = (subject.record.failure_ns - int(phases.t[-1])) / NS
    return late_s <= max(5 * phases.interval_s, subject.limits["duty.failure_reach"])


def lasting(
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


def start_mask(subject: Subject, phases: Phases) -> Bools:
    """Stamps about a start, at which the motor's own inrush draws the voltage down."""
    unsure_s = widened(subject, phases.clock)
    mask = np.zeros(len(phases.t), bool)
    before = round((min(unsure_s, 3600.0) + 2 * phases.interval_s) * NS)
    after = round((min(unsure_s, 3600.0) + subject.limits["electrical.start_s"]) * NS)
    for span in runs_of(subject):
        a, b = np.searchsorted(phases.t, [span.start_ns - before, span.start_ns + after])
        mask[a:b] = True
    return mask


@detector("electrical.undervoltage", window_volts)
def undervoltage(subject: Subject, check: str, phases: Phases, volts: float) -> Finding:
    """Decide whether the supply stayed below 90 % of declared voltage (NEMA MG 1 clause 12.44, IEC 61000-4-30)."""
    share = smoothed(phases.v, phases.interval_s, subject.limits["electrical.smoothing_s"]).min(axis=0) / volts
    lost = single_phase_mask(subject, phases.t, phases.clock)
    open_ = unbalance_percent(phases.v) >= subject.limits["electrical.open_phase_percent"]
    usable = (
        ~start_mask(subject, phases) & ~lost & ~np.nan_to_num(open_) & (share > subject.limits["electrical.dead_share"])
    )
    if usable.sum() < _FEW:
        return cannot_tell(check, "no voltage readings in the window outside starts and lost phases")
    name = "electrical.undervoltage_share"
    found = lasting(subject, share < subject.limits[name], usable, phases, "electrical.undervoltage_lasting_s")
    if found is None and not covers_failure(subject, phases):
        return cannot_tell(check, "the voltages end before the failure")
    brief = _lowest_at_end(subject, phases, share, usable)
    a, b = found if found else (int(np.flatnonzero(usable)[0]), int(np.flatnonzero(usable)[-1]))
    part = share[a : b + 1][usable[a : b + 1]]
    value = float(np.median(part)) if found else float(np.percentile(part, 1))
    text = f"{100 * value:.0f} % of {volts:.0f} V"
    text += f" for {(phases.t[b] - phases.t[a]) / NS:.0f} s" if found else " was the lowest but for one in a hundred"
    span = (int(phases.t[a]), int(phases.t[b]))
    error = subject.limits["electrical.volts_error"]
    outcome, why_not = (Outcome.PRESENT if found else Outcome.ABSENT), ""
    if not found and min(value, brief) * (1.0 - error) < subject.limits[name]:
        outcome = Outcome.CANNOT_TELL
        why_not = f"it came down to {100 * min(value, brief):.0f} % near the stop, or too near the limit to tell"
    answer = make_finding(
        subject,
        check,
        outcome,
        text,
        Value(value, min(float(part.min()), brief), float(part.max()), "1", name, above=False),
        seen=Seen(span, phases.cites(*span), phases.interval_s, len(part)),
        why_not=why_not,
    )
    return replace(answer, detectable=subject.limits[name] * (1.0 - error)) if outcome is Outcome.ABSENT else answer


def _lowest_at_end(subject: Subject, phases: Phases, share: Floats, usable: Bools) -> float:
    """Lowest share of the voltage on the way to the stop, single samples left out; infinite where there is none."""
    end_ns = int(phases.t[np.flatnonzero(usable)[-1]])
    close = usable & (phases.t >= end_ns - round(subject.limits["electrical.approach_s"] * NS))
    values = np.sort(share[close])
    return float(values[min(1, len(values) - 1)]) if len(values) else float("inf")
