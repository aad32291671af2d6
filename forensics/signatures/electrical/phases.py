"""A lost phase against a lost current sensor, and uneven currents, from three currents of a trend."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forensics.machine.phases import (
    AMPS,
    Bools,
    Phases,
    before_failure,
    read_phases,
    stretches,
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
    return Spell(first=a, last=b, kind=kind, missing=missing, rise=rise, power_rise=power, verdict=verdict)


_BEFORE = 15


def _power_rise(subject: Subject, part: Phases, pair: tuple[int, int], earlier: np.ndarray) -> float:
    power = subject.record.point(Role.MOTOR_POWER)
    if power is None or power.origin.clock != part.clock or len(earlier) < _FEW:
        return float("nan")
    values = power.at(part.t, 5 * power.interval_s)
    now, before = np.nanmedian(values[pair[0] : pair[1] + 1]), np.nanmedian(values[earlier[-_BEFORE:]])
    return float(now / before) if before > 0 else float("nan")


def all_there(subject: Subject, check: str, view: PhaseView, name: str, text: str) -> Finding:
    """Absent, over all that was seen of the motor running."""
    index = np.flatnonzero(view.running)
    span = (int(view.phases.t[index[0]]), int(view.phases.t[index[-1]]))
    found = make_finding(
        subject,
        check,
        Outcome.ABSENT,
        text,
        Value(limit_name=name),
        Seen(span, view.phases.cites(*span), view.phases.interval_s, len(index)),
    )
    return replace(found, detectable=subject.limits[name])


def three_currents(subject: Subject, check: str) -> tuple[PhaseView] | Finding:
    """The three currents, as the need of a check."""
    view = phase_view(subject)
    return cannot_tell(check, view) if isinstance(view, str) else (view,)


@detector("electrical.phase_sensor_lost", three_currents)
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
    return all_there(subject, check, view, "electrical.sensor_rise", text)


def past_run_up(view: PhaseView, start_s: float) -> Bools:
    """Running samples that lie ``start_s`` or more after the current began."""
    settled = np.zeros(len(view.running), bool)
    for a, b in stretches(view.running, view.phases.t, max(5 * view.phases.interval_s, 5.0)):
        settled[a : b + 1] = view.phases.t[a : b + 1] - view.phases.t[a] >= start_s * NS
    return settled
