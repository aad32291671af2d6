"""Uneven line voltages: for how long, near which limit, and with the motor on or off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.electrics.phasors import unbalance_percent
from forensics.machine.duty.baseline import runs_of
from forensics.machine.phases import Bools, Floats, Phases, smoothed, widened
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.electrical.supply import covers_failure, lasting, window_volts
from forensics.signatures.electrical.two_lines import single_phase_mask
from forensics.signatures.electrical.unbalance import course, grown_words, outcome_of, span_of

_LIVE_SHARE = 0.5
_FEW = 3


@detector("electrical.voltage_unbalance", window_volts)
def voltage_unbalance(subject: Subject, check: str, phases: Phases, volts: float) -> Finding:
    """Decide whether the line voltages were unbalanced for long (NEMA MG 1, clause 14.36).

    Spells with a phase lost are left out: they are another finding. With the motor off the unbalance is the supply's
    own; the statement says it. The last minutes before the stop count with the rest, and a level near the limit is
    open.
    """
    limits = subject.limits
    percent = smoothed(unbalance_percent(phases.v), phases.interval_s, limits["electrical.smoothing_s"])
    usable = (phases.v.max(axis=0) > _LIVE_SHARE * volts) & np.isfinite(percent)
    usable &= ~single_phase_mask(subject, phases.t, phases.clock)
    usable &= percent < limits["electrical.open_phase_percent"]
    if usable.sum() < _FEW:
        return cannot_tell(check, "no voltage readings in the window without a phase lost")
    name = "electrical.voltage_unbalance_max"
    spell = lasting(subject, percent > limits[name], usable, phases)
    severe = percent > limits["electrical.voltage_unbalance_severe"]
    spell = spell or lasting(subject, severe, usable, phases, "electrical.unbalance_severe_s")
    if spell is None and not covers_failure(subject, phases):
        return cannot_tell(check, "the voltages end before the failure")
    index = np.flatnonzero(usable)
    found = course(subject, phases, percent, usable, spell, 0.0)
    outcome, why_not = outcome_of(subject, found, limits[name])
    span = span_of(phases, index, spell)
    words = _words_on_off(percent, usable, _off_mask(subject, phases))
    text = f"{found.level:.1f} %"
    text += f" for {(span[1] - span[0]) / NS / 60:.0f} min" if spell else " at the most that stood"
    text += f"{grown_words(found)} ({words})"
    count = int(usable[spell[0] : spell[1] + 1].sum()) if spell else len(index)
    answer = make_finding(
        subject,
        check,
        outcome,
        text,
        Value(found.level, found.low, found.high, "%", name, above=True),
        seen=Seen(span, phases.cites(*span), phases.interval_s, count),
        why_not=why_not,
    )
    return replace(answer, detectable=limits[name]) if outcome is Outcome.ABSENT else answer


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
