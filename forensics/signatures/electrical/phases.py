"""A lost phase against a lost current sensor, and uneven currents, from three currents of a trend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.electrics.phasors import unbalance_percent
from forensics.machine.phases import (
    AMPS,
    VOLTS,
    Bools,
    Phases,
    Times,
    before_failure,
    longest,
    read_phases,
    smoothed,
    stretches,
    trip_at_failure,
    widened,
)
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS
from forensics.model.role_words import in_words
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing

_FEW = 3


@dataclass(frozen=True)
class Spell:
    """One stretch in which a current is missing or stands alone.

    Attributes
    ----------
    rise
        Current of the phases that go on (for 1 : 1 : 2 the large one) over what each drew just before; NaN where
        nothing was drawn before.
    verdict
        ``lost``, ``sensor`` or ``open`` (undecided).
    """

    first: int
    last: int
    kind: str
    missing: int
    rise: float
    power_rise: float
    verdict: str


@dataclass(frozen=True)
class PhaseView:
    """Three currents up to the failure, which of them run, and the spells."""

    phases: Phases
    running: Bools
    spells: tuple[Spell, ...]


@kept_with_owner
def phase_view(subject: Subject) -> PhaseView | str:
    """The three currents of a subject and their spells, made once; in words why there are none."""
    phases, why = read_phases(subject, AMPS)
    if phases is None:
        return why
    span = before_failure(subject)
    unsure_s = widened(subject, phases.clock)
    room = round((min(unsure_s, 60.0) + 2 * phases.interval_s) * NS) if np.isfinite(unsure_s) else 0
    part = phases.between(span.start_ns, span.end_ns + room)
    if not len(part.t):
        return "no readings of the three currents in the window"
    ordered = np.sort(part.v, axis=0)
    top = ordered[1:].mean(axis=0)
    rated = subject.machine.rated_load_amps or float(np.percentile(top, 95))
    running = top > subject.limits["electrical.running_share"] * rated
    close = ordered[2] - ordered[1] < subject.limits["electrical.pair_apart_share"] * top
    zero = running & close & (ordered[0] < subject.limits["electrical.zero_share"] * top)
    low_pair = ordered[:2].mean(axis=0)
    double = running & (ordered[2] > subject.limits["electrical.double_share"] * low_pair)
    double &= (ordered[1] - ordered[0] < subject.limits["electrical.pair_apart_share"] * low_pair) & ~zero
    spells = [
        _judge(subject, part, running & ~zero & ~double, pair, kind, rated)
        for chosen, kind in ((zero, "zero"), (double, "double"))
        for pair in stretches(chosen, part.t, max(5 * part.interval_s, 5.0))
    ]
    return PhaseView(part, running, tuple(spells))


def _judge(subject: Subject, part: Phases, normal: Bools, pair: tuple[int, int], kind: str, rated: float) -> Spell:
    """Tell a lost phase from a lost sensor by what the other currents and the power did."""
    limits = subject.limits
    a, b = pair
    inside = part.v[:, a : b + 1]
    missing = int(np.argmin(np.median(inside, axis=1)) if kind == "zero" else np.argmax(np.median(inside, axis=1)))
    others = np.delete(inside, missing, axis=0).mean(axis=0) if kind == "zero" else inside[missing]
    now = float(np.median(others))
    back_ns = int(part.t[a]) - round(max(limits["electrical.before_s"], 6 * part.interval_s) * NS)
    low = int(np.searchsorted(part.t, back_ns))
    earlier = np.flatnonzero(normal[low:a]) + low
    before = float(np.median(part.v[:, earlier[-_BEFORE:]].mean(axis=0))) if len(earlier) >= _FEW else float("nan")
    rise = now / before if before > 0 else float("nan")
    power = _power_rise(subject, part, pair, earlier)
    stalled = now > limits["electrical.stall_over_rated"] * rated
    lasted_s = (int(part.t[b]) - int(part.t[a])) / NS
    if b == a and kind == "double":
        verdict = "open"
    elif np.isfinite(rise):
        lost = rise >= limits["electrical.phase_rise"]
        sensor = kind == "zero" and rise <= limits["electrical.sensor_rise"]
        verdict = "lost" if lost else "sensor" if sensor else "open"
    elif stalled and lasted_s >= limits["electrical.start_s"] / 3:
        verdict = "lost"
    elif kind == "zero" and now <= 1.2 * rated and lasted_s >= limits["electrical.sensor_lasting_s"]:
        verdict = "sensor"
    else:
        verdict = "open"
    return Spell(a, b, kind, missing, rise, power, verdict)


_BEFORE = 15


def _power_rise(subject: Subject, part: Phases, pair: tuple[int, int], earlier: np.ndarray) -> float:
    power = subject.record.point(Role.MOTOR_POWER)
    if power is None or power.origin.clock != part.clock or len(earlier) < _FEW:
        return float("nan")
    values = power.at(part.t, 5 * power.interval_s)
    now, before = np.nanmedian(values[pair[0] : pair[1] + 1]), np.nanmedian(values[earlier[-_BEFORE:]])
    return float(now / before) if before > 0 else float("nan")


def single_phase_mask(subject: Subject, t: Times, clock: str) -> Bools:
    """Stamps of another meter at which a phase was lost (or may have been), uncertainty of both clocks granted."""
    mask = np.zeros(len(t), bool)
    view = phase_view(subject)
    if isinstance(view, str):
        return mask
    unsure_s = 0.0 if clock == view.phases.clock else widened(subject, clock, view.phases.clock)
    room = round((min(unsure_s, 3600.0) + 2 * view.phases.interval_s) * NS)
    for spell in view.spells:
        if spell.verdict != "sensor":
            a, b = np.searchsorted(t, [view.phases.t[spell.first] - room, view.phases.t[spell.last] + room])
            mask[a:b] = True
    return mask


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
        return by_volts or cannot_tell(check, view)
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
    return _all_there(subject, check, view, "electrical.phase_rise", "all three currents went on to the end")


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


def _all_there(subject: Subject, check: str, view: PhaseView, name: str, text: str) -> Finding:
    index = np.flatnonzero(view.running)
    span = (int(view.phases.t[index[0]]), int(view.phases.t[index[-1]]))
    return make_finding(
        subject,
        check,
        Outcome.ABSENT,
        text,
        Value(limit_name=name),
        Seen(span, view.phases.cites(*span), view.phases.interval_s, len(index)),
    )


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


def _three_currents(subject: Subject, check: str) -> tuple[PhaseView] | Finding:
    view = phase_view(subject)
    return cannot_tell(check, view) if isinstance(view, str) else (view,)


@detector("electrical.phase_sensor_lost", _three_currents)
def phase_sensor_lost(subject: Subject, check: str, view: PhaseView) -> Finding:
    """Decide whether a current sensor read nothing while the other two currents (and the power) stayed as they were."""
    failed = [s for s in view.spells if s.verdict == "sensor"]
    if failed:
        spell = max(failed, key=lambda s: s.last - s.first)
        span = (int(view.phases.t[spell.first]), int(view.phases.t[spell.last]))
        text = f"{in_words(AMPS[spell.missing])} reads nothing"
        if np.isfinite(spell.rise):
            text += f", the others {spell.rise:.2f} times what they were"
        return make_finding(
            subject,
            check,
            Outcome.PRESENT,
            text,
            Value.exact(spell.rise if np.isfinite(spell.rise) else None, "1", "electrical.sensor_rise", above=False),
            Seen(span, view.phases.cites(*span), view.phases.interval_s, spell.last - spell.first + 1),
        )
    if any(s.verdict == "open" for s in view.spells):
        return cannot_tell(check, "one current stands out, but what the others did is not plain")
    if not view.running.any():
        return cannot_tell(check, "the motor does not run in the window")
    text = "no current read nothing while the others stayed as they were"
    return _all_there(subject, check, view, "electrical.sensor_rise", text)


@detector("electrical.current_unbalance", _three_currents)
def current_unbalance(subject: Subject, check: str, view: PhaseView) -> Finding:
    """Decide whether the three currents were uneven for long (NEMA MG 1 method), lost phases and starts left out."""
    phases = view.phases
    percent = np.asarray(unbalance_percent(phases.v))
    usable = view.running & _settled(view, subject.limits["electrical.start_s"])
    for spell in view.spells:
        usable[spell.first : spell.last + 1] = False
    if usable.sum() < _FEW:
        return cannot_tell(check, "the motor hardly runs in the window")
    index = np.flatnonzero(usable)
    name = "electrical.current_unbalance_max"
    gap_s = max(5 * phases.interval_s, subject.limits["electrical.gap_s"])
    level = smoothed(percent[index], phases.interval_s, subject.limits["electrical.smoothing_s"])
    best = longest(stretches(level > subject.limits[name], phases.t[index], gap_s), phases.t[index])
    lasting_s = subject.limits["electrical.unbalance_lasting_s"]
    lasts = best is not None and (phases.t[index[best[1]]] - phases.t[index[best[0]]]) / NS >= lasting_s
    if best is not None and lasts:
        part = level[best[0] : best[1] + 1]
        span, outcome = (int(phases.t[index[best[0]]]), int(phases.t[index[best[1]]])), Outcome.PRESENT
        value = float(np.median(part))
        text = f"{value:.0f} % for {(span[1] - span[0]) / NS / 60:.0f} min"
    else:
        part, span, outcome = level, (int(phases.t[index[0]]), int(phases.t[index[-1]])), Outcome.ABSENT
        value = float(np.percentile(level, 95))
        text = f"95 of 100 readings within {value:.1f} %"
    return make_finding(
        subject,
        check,
        outcome,
        text,
        Value(value, float(np.percentile(part, 10)), max(float(np.percentile(part, 90)), value), "%", name, above=True),
        Seen(span, phases.cites(*span), phases.interval_s, len(part)),
    )


def _settled(view: PhaseView, start_s: float) -> Bools:
    """Running samples that lie ``start_s`` or more after the current began."""
    settled = np.zeros(len(view.running), bool)
    for a, b in stretches(view.running, view.phases.t, max(5 * view.phases.interval_s, 5.0)):
        settled[a : b + 1] = view.phases.t[a : b + 1] - view.phases.t[a] >= start_s * NS
    return settled
