"""Whether the motor lost a phase: by three currents, by an open supply, or by voltages and one current."""

from __future__ import annotations

import numpy as np

from forensics.machine.phases import AMPS, VOLTS, longest, read_phases, stretches, trip_at_failure, widened
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.role_words import in_words
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing
from forensics.signatures.electrical.phases import PhaseView, Spell, all_there, phase_view
from forensics.signatures.electrical.two_lines import by_volts_and_one_current

_FEW = 3


@detector("electrical.phase_lost", nothing)
def phase_lost(subject: Subject, check: str) -> Finding:
    """Decide whether the motor lost a phase: one current gone and the others up, or 1 : 1 : 2.

    Theory: with one line open the other two rise 1.73 times at equal power (real motors 1.7 to above 2); ahead of a
    delta-wye transformer the three stand 1 : 1 : 2. Where no currents are logged, the voltages with the motor off
    show a supply phase that is open.
    """
    view = phase_view(subject)
    by_volts = _open_supply(subject, check)
    if isinstance(view, str):
        lacking = () if read_phases(subject, AMPS)[0] is not None else AMPS
        told = by_volts or by_volts_and_one_current(subject, check)
        return told or cannot_tell(check, view, lacking=lacking)
    lost = [s for s in view.spells if s.verdict == "lost"]
    if lost:
        return _lost(subject, check, view, max(lost, key=lambda s: (s.last - s.first, s.last)))
    if by_volts is not None:
        return by_volts
    if any(s.verdict == "open" for s in view.spells):
        return cannot_tell(check, "one current reads nothing or twice the others, but what the others did is not plain")
    why = _not_watched(subject, view)
    if why:
        return cannot_tell(check, why)
    return all_there(subject, check, view, "electrical.phase_rise", "all three currents went on to the end")


def _not_watched(subject: Subject, view: PhaseView) -> str:
    interval_s = view.phases.interval_s
    if interval_s > subject.limits["electrical.phase_interval_s"]:
        return f"the currents are sampled every {interval_s:g} s: a loss of 1 to 30 s may fall between"
    if not view.running.any():
        return "the motor does not run in the window"
    trip = trip_at_failure(subject)
    if trip is not None:
        unsure_s = widened(subject, view.phases.clock)
        last = int(view.phases.t[np.flatnonzero(view.running)[-1]])
        room_s = unsure_s + 5 * interval_s + subject.limits["electrical.trip_reach_s"]
        if not np.isfinite(unsure_s) or (trip.earliest_ns - last) / NS > room_s:
            return "the three currents do not reach the stop at the failure"
    return ""


def _lost(subject: Subject, check: str, view: PhaseView, spell: Spell) -> Finding:
    phases = view.phases
    inside = phases.v[:, spell.first : spell.last + 1]
    level = ", ".join(
        f"{in_words(role)} {value:.4g} A" for role, value in zip(AMPS, np.median(inside, axis=1), strict=True)
    )
    text = level
    low = high = None
    if np.isfinite(spell.rise):
        text += f"; {spell.rise:.2f} times the current before"
        spread = inside.std(axis=1).max() / max(float(inside.max()), 1e-9)
        low, high = spell.rise * (1 - spread), spell.rise * (1 + spread)
    if np.isfinite(spell.power_rise):
        text += f", power {spell.power_rise:.2f} times"
    span = (int(phases.t[spell.first]), int(phases.t[spell.last]))
    return make_finding(
        subject,
        check,
        Outcome.PRESENT,
        text,
        Value(spell.rise if np.isfinite(spell.rise) else None, low, high, "1", "electrical.phase_rise", above=True),
        Seen(span, phases.cites(*span), phases.interval_s, spell.last - spell.first + 1),
    )


def _open_supply(subject: Subject, check: str) -> Finding | None:
    """A supply phase that stays open after the stop: two line voltages fall far below the third with the motor off."""
    trip = trip_at_failure(subject)
    phases, _ = read_phases(subject, VOLTS)
    if trip is None or phases is None:
        return None
    unsure_s = widened(subject, phases.clock)
    if not np.isfinite(unsure_s):
        return None
    after = trip.latest_ns + round((unsure_s + subject.limits["electrical.trip_reach_s"]) * NS)
    part = phases.between(after, after + round(subject.limits["electrical.open_watch_s"] * NS))
    if len(part.t) < _FEW:
        return None
    ordered = np.sort(part.v, axis=0)
    share = ordered[1] / np.maximum(ordered[2], 1e-9)
    name = "electrical.open_supply_share"
    live = ordered[2] > subject.limits["electrical.dead_share"] * float(np.percentile(phases.v.max(axis=0), 95))
    chosen = live & (share < subject.limits[name])
    found = longest(stretches(chosen, part.t, 5 * part.interval_s), part.t)
    if found is None or found[1] - found[0] < _FEW - 1:
        return None
    a, b = found
    span = (int(part.t[a]), int(part.t[b]))
    value = float(np.median(share[a : b + 1]))
    level = ", ".join(
        f"{in_words(role)} {x:.4g} V" for role, x in zip(VOLTS, np.median(part.v[:, a : b + 1], axis=1), strict=True)
    )
    return make_finding(
        subject,
        check,
        Outcome.PRESENT,
        f"after the stop, with the motor off, {level}: one phase of the supply is open",
        Value(value, float(share[a : b + 1].min()), float(share[a : b + 1].max()), "1", name, above=False),
        Seen(span, part.cites(*span), part.interval_s, b - a + 1),
    )
