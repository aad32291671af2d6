"""What a meter's trend shows of the supply while it lasts: unbalance, undervoltage."""

from __future__ import annotations

import numpy as np

from forensics.electrics.phasors import unbalance_percent
from forensics.machine.baseline import runs_of
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
from forensics.signatures.electrical.phases import single_phase_mask

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


@detector("electrical.voltage_unbalance", _window_volts)
def voltage_unbalance(subject: Subject, check: str, phases: Phases, volts: float) -> Finding:
    """Decide whether the line voltages were unbalanced for long (NEMA MG 1, clause 14.36).

    Spells with a phase lost are left out: they are another finding. With the motor off the unbalance is the supply's
    own; the statement says it.
    """
    percent = smoothed(unbalance_percent(phases.v), phases.interval_s, subject.limits["electrical.smoothing_s"])
    usable = (phases.v.max(axis=0) > _LIVE_SHARE * volts) & np.isfinite(percent)
    usable &= ~single_phase_mask(subject, phases.t, phases.clock)
    usable &= percent < subject.limits["electrical.open_phase_percent"]
    if usable.sum() < _FEW:
        return cannot_tell(check, "no voltage readings in the window without a phase lost")
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
            return cannot_tell(check, "the voltages end before the failure")
        value = float(np.percentile(percent[usable], 95))
        low, high = float(np.median(percent[usable])), value
        text, count = f"95 of 100 readings within {value:.1f} % ({words})", int(usable.sum())
        span, outcome = (int(phases.t[0]), int(phases.t[-1])), Outcome.ABSENT
    return make_finding(
        subject,
        check,
        outcome,
        text,
        Value(value, low, high, "%", "electrical.voltage_unbalance_max", above=True),
        Seen(span, phases.cites(*span), phases.interval_s, count),
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


@detector("electrical.undervoltage", _window_volts)
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
    found = _lasting(subject, share < subject.limits[name], usable, phases, "electrical.undervoltage_lasting_s")
    if found is None and not _covers_failure(subject, phases):
        return cannot_tell(check, "the voltages end before the failure")
    a, b = found if found else (int(np.flatnonzero(usable)[0]), int(np.flatnonzero(usable)[-1]))
    part = share[a : b + 1][usable[a : b + 1]]
    value = float(np.median(part)) if found else float(np.percentile(part, 1))
    text = f"{100 * value:.0f} % of {volts:.0f} V"
    text += f" for {(phases.t[b] - phases.t[a]) / NS:.0f} s" if found else " was the lowest that lasted"
    span = (int(phases.t[a]), int(phases.t[b]))
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if found else Outcome.ABSENT,
        text,
        Value(value, float(part.min()), float(part.max()), "1", name, above=False),
        Seen(span, phases.cites(*span), phases.interval_s, len(part)),
    )
