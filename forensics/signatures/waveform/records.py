"""What IEEE C37.111 records show: phase sequence, direction after the stop, lost phases, bounce, dips, a stalled rotor.

The looks at one record live beside this; the detectors here ask each record that lies in the window.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from forensics.electrics.current_record import interruptions, locked_rotor, phase_loss
from forensics.electrics.phasors import VOLTS
from forensics.electrics.record_helpers import RecordAnswer, unknown
from forensics.electrics.residual_voltage import ResidualDirection, residual_direction
from forensics.electrics.supply_record import dip, supply_sequence, unbalance
from forensics.machine.subject import Subject
from forensics.machine.waveforms import in_window
from forensics.model.findings import Cite, Finding
from forensics.model.points import NS
from forensics.model.record import Waveform
from forensics.model.vocabulary import Outcome, Role, Starter
from forensics.signatures.core.detector import Detector, answers
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding

__all__ = ["RecordAnswer", "ResidualDirection", "residual_direction", "supply_sequence"]


def as_finding(subject: Subject, check_id: str, waveform: Waveform, answer: RecordAnswer, suffix: str = "") -> Finding:
    """The answer of one record as a finding, with its samples cited (counted from 1)."""
    if answer.outcome is Outcome.CANNOT_TELL:
        return replace(cannot_tell(check_id, answer.why_not, suffix=suffix), sample_interval_s=waveform.interval_s)
    begin_ns, end_ns = (waveform.start_ns + round(float(waveform.time_s[i]) * NS) for i in (answer.first, answer.last))
    low, high = (answer.value if x is None else x for x in (answer.low, answer.high))
    rows = (answer.first + 1, answer.last + 1)
    cites = tuple(Cite(waveform.source, waveform.columns.get(role, role.value), rows) for role in answer.roles)
    measured = Value(answer.value, low, high, answer.unit, answer.limit_name, above=answer.above)
    seen = Seen((begin_ns, end_ns), cites, waveform.interval_s, max(answer.last - answer.first + 1, 1), suffix=suffix)
    return make_finding(subject, check_id, answer.outcome, answer.text, measured, seen)


def _each(check_id: str, look: Callable[[Subject, Waveform], RecordAnswer]) -> Detector:
    """Register a look at one record as the detector that answers for each record of the window."""

    @answers(check_id)
    def detector(subject: Subject) -> tuple[Finding, ...]:
        records = in_window(subject)
        if not records:
            unlock = "export the waveform records of the motor protection or the power meter for the event"
            return (cannot_tell(check_id, "no waveform record in the window", unlocked_by=unlock),)
        found = []
        for number, waveform in enumerate(records, start=1):
            suffix = f"@{number}" if len(records) > 1 else ""
            found.append(as_finding(subject, check_id, waveform, look(subject, waveform), suffix))
        return tuple(found)

    return detector


def _sequence(subject: Subject, waveform: Waveform) -> RecordAnswer:
    answer = supply_sequence(waveform, subject.limits)
    if answer.outcome is Outcome.PRESENT and _lift_grew(subject, waveform):
        return unknown("the record's labels say reversed, but the machine built its lift then: the labels are in doubt")
    return answer


def _lift_grew(subject: Subject, waveform: Waveform) -> bool:
    """Whether discharge rose above suction while or just after the record: no compressor does so backwards."""
    discharge = subject.record.fastest(Role.DISCHARGE_PRESSURE) or subject.record.fastest(Role.HIGH_SIDE_PRESSURE)
    suction = subject.record.fastest(Role.SUCTION_PRESSURE)
    if discharge is None or suction is None:
        return False
    until = waveform.span.start_ns + round(subject.limits["waveform.lift_after_s"] * NS)
    high = discharge.usable.between(waveform.span.start_ns, until)
    before = discharge.before(waveform.span.start_ns)
    low = suction.at(high.t, subject.limits["waveform.lift_after_s"])
    if before is None or len(high) < 2:  # noqa: PLR2004 - one sample proves nothing
        return False
    rise = np.nanmedian(high.v[-2:] - low[-2:]) if np.isfinite(low[-2:]).any() else 0.0
    limit = subject.limits["waveform.lift_grew_kpa"]
    return bool(rise > limit and float(np.median(high.v[-2:])) > before.value + limit)


def _reversed(subject: Subject, waveform: Waveform) -> RecordAnswer:
    found = residual_direction(waveform, subject.limits)
    return reversed_answer(waveform, found)


def reversed_answer(waveform: Waveform, found: ResidualDirection) -> RecordAnswer:
    """The measured direction as an answer with its samples."""
    if found.outcome is Outcome.CANNOT_TELL or found.disconnected_s is None:
        return unknown(found.why_not)
    roles = tuple(role for role in VOLTS if role in waveform.analog)
    begin_s, length_s = found.disconnected_s, found.forward_s or 0.0
    if found.outcome is Outcome.PRESENT:
        begin_s, length_s = begin_s + (found.from_s or 0.0), found.seconds or 0.0
        text = (
            f"the residual voltage turned the other way from {found.from_s:.1f} s after the disconnection, for "
            f"{length_s:.1f} s, at up to {found.peak_hertz:.1f} Hz and {found.peak_volts:.2g} V"
        )
    else:
        share = 100 * (found.forward_share or 0.0)
        text = (
            f"the rotor was measured turning forward for {length_s:.1f} s, until its voltage was at {share:.0f} % speed"
        )
    first, last = np.searchsorted(waveform.time_s, [begin_s, begin_s + length_s])
    last = min(int(last), len(waveform.time_s) - 1)
    seconds = length_s if found.outcome is Outcome.PRESENT else 0.0
    name = "waveform.reversed_min_s"
    return RecordAnswer(
        found.outcome, text, int(first), last, seconds, unit="s", limit_name=name, above=True, roles=roles
    )


def _bounce(subject: Subject, waveform: Waveform) -> RecordAnswer:
    answer = interruptions(waveform, subject.limits)
    transition = subject.machine.starter in (Starter.STAR_DELTA, Starter.PART_WINDING, None)  # None: not known
    if answer.value == 1 and not transition:
        return unknown("one break only, and this starter makes none: it may be a single drop-out")
    return answer


_each("waveform.supply_sequence_reversed", _sequence)
_each("waveform.residual_reversed", _reversed)
_each("waveform.phase_lost", lambda s, w: phase_loss(w, s.limits))
_each("waveform.contact_bounce", _bounce)
_each("waveform.dip", lambda s, w: dip(w, s.limits, s.machine.supply_volts))
_each("waveform.locked_rotor", lambda s, w: locked_rotor(w, s.limits, s.machine.rated_load_amps, s.machine.starter))
_each("waveform.unbalance", lambda s, w: unbalance(w, s.limits))
