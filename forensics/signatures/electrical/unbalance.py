"""Uneven currents: how uneven, for how long, since when, and whether the supply explains them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forensics.electrics.phasors import unbalance_percent
from forensics.machine.phases import (
    VOLTS,
    Bools,
    Floats,
    Phases,
    Times,
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
from forensics.signatures.electrical.phases import PhaseView, past_run_up, three_currents

_FEW = 3


@dataclass(frozen=True, slots=True)
class Course:
    """Unbalance over time, %: where it can be judged, and what its course says.

    Attributes
    ----------
    lasted
        First and last index of the longest spell above the limit that lasts; None where none does.
    level, low, high
        Of that spell; else of the last half-hour or of the way to the stop, whichever is larger.
    before, spread
        Median and robust deviation of the machine's own earlier half-hours; NaN where there are too few.
    """

    t: Times
    percent: Floats
    usable: Bools
    lasted: tuple[int, int] | None
    level: float
    low: float
    high: float
    before: float
    spread: float

    @property
    def growth(self) -> float:
        """Level over the machine's own earlier one, in points of per cent; NaN where that is not known."""
        return self.level - self.before


def course(
    subject: Subject, phases: Phases, percent: Floats, usable: Bools, spell: tuple[int, int] | None, error: float
) -> Course:
    """What the unbalance did: the spell that lasts, else its end, against its own earlier half-hours.

    ``error`` is that of the sensors, points of per cent.
    """
    limits = subject.limits
    index = np.flatnonzero(usable)
    t, values = phases.t[index], percent[index]
    own = own_half_hours(half_hours(subject, t, values))
    before, spread = (float("nan"), float("nan")) if own is None else own
    if spell is not None:
        part = percent[spell[0] : spell[1] + 1][usable[spell[0] : spell[1] + 1]]
    else:
        close = t >= t[-1] - round(limits["electrical.approach_s"] * NS)
        part = values[close] if close.sum() >= _FEW else values[-_FEW:]
        usual = float(np.percentile(values, 95))
        part = part if float(np.median(part)) > usual else values[values >= np.median(values)]
    level = float(np.median(part)) if spell is not None else float(np.percentile(part, 90))
    low, high = (float(x) for x in np.percentile(part, [10, 90]))
    return Course(
        t=t,
        percent=values,
        usable=usable,
        lasted=spell,
        level=level,
        low=max(0.0, min(low, level) - error),
        high=max(high, level) + error,
        before=before,
        spread=spread,
    )


def half_hours(subject: Subject, t: Times, values: Floats) -> Floats:
    """Medians of the half-hours, counted back from the last reading; those of too few readings are left out."""
    if not len(t):
        return np.empty(0)
    bins = ((t - t[-1] - 1) // round(subject.limits["electrical.unbalance_bin_s"] * NS)).astype(np.int64)
    _, first, count = np.unique(bins, return_index=True, return_counts=True)
    parts = np.split(values, first[1:])
    return np.array([float(np.median(part)) for part, n in zip(parts, count, strict=True) if n >= _FEW])


def own_half_hours(halves: Floats) -> tuple[float, float] | None:
    """Median and robust deviation of the first third of the half-hours; None where they are fewer than six.

    What grew over hours must not be held against itself: the later ones teach nothing of the healthy machine.
    """
    if len(halves) < 2 * _FEW:
        return None
    own = halves[: max(_FEW, len(halves) // 3)]
    usual = float(np.median(own))
    return usual, 1.4826 * float(np.median(np.abs(own - usual)))


def outcome_of(subject: Subject, found: Course, limit: float) -> tuple[Outcome, str]:
    """Present where it lasts; open where it is near its limit or has grown; else absent."""
    if found.lasted is not None:
        return Outcome.PRESENT, ""
    limits = subject.limits
    if found.level > limits["electrical.unbalance_near"] * limit:
        return Outcome.CANNOT_TELL, f"{found.level:.1f} % is too near the limit of {limit:g} % to call it balanced"
    least = max(limits["electrical.unbalance_growth"], limits["electrical.unbalance_spread"] * found.spread)
    if np.isfinite(found.growth) and found.growth > min(least, limit):
        return (
            Outcome.CANNOT_TELL,
            f"it has grown from {found.before:.1f} % of the machine's own to {found.level:.1f} %",
        )
    return Outcome.ABSENT, ""


def grown_words(found: Course) -> str:
    """What the machine's own earlier half-hours read, as the end of a sentence; empty where they are too few."""
    if not np.isfinite(found.before):
        return ""
    return f", {found.before:.1f} % in its own earlier half-hours"


def _sensor_points(subject: Subject) -> float:
    """Error of an unbalance by three current sensors, points of per cent: one against the mean of three."""
    percent = subject.machine.current_sensor.ratio_error_percent or subject.limits["electrical.sensor_percent"]
    return float(np.sqrt(2.0 / 3.0)) * percent


def current_percent(subject: Subject, view: PhaseView) -> tuple[Floats, Bools]:
    """Unbalance of the currents in %, and where it can be judged: running at load, past the run-up, no phase lost."""
    limits, phases = subject.limits, view.phases
    percent = np.asarray(unbalance_percent(phases.v))
    usable = view.running & past_run_up(view, limits["electrical.start_s"]) & np.isfinite(percent)
    rated = subject.machine.rated_load_amps
    if rated is not None:
        loaded = phases.v.max(axis=0) >= limits["electrical.unbalance_load"] * rated
        usable &= loaded if (usable & loaded).sum() >= _FEW else True
    for spell in view.spells:
        usable[spell.first : spell.last + 1] = False
    index = np.flatnonzero(usable)
    percent[index] = smoothed(percent[index], phases.interval_s, limits["electrical.smoothing_s"])
    return percent, usable


@detector("electrical.current_unbalance", three_currents)
def current_unbalance(subject: Subject, check: str, view: PhaseView) -> Finding:
    """Decide whether the three currents were uneven for long (NEMA MG 1 method), lost phases and starts left out.

    A level near the limit, or one that has grown against the machine's own, is open. What the voltages explain of it
    by the motor's negative-sequence impedance is said beside it.
    """
    phases = view.phases
    percent, usable = current_percent(subject, view)
    if usable.sum() < _FEW:
        return cannot_tell(check, "the motor hardly runs in the window")
    name = "electrical.current_unbalance_max"
    limit = subject.limits[name]
    index = np.flatnonzero(usable)
    gap_s = max(5 * phases.interval_s, subject.limits["electrical.gap_s"])
    best = longest(stretches(percent[index] > limit, phases.t[index], gap_s), phases.t[index])
    spell = None if best is None else (int(index[best[0]]), int(index[best[1]]))
    if spell is not None and (phases.t[spell[1]] - phases.t[spell[0]]) / NS < _lasting_s(subject, phases):
        spell = None
    found = course(subject, phases, percent, usable, spell, _sensor_points(subject))
    outcome, why_not = outcome_of(subject, found, limit)
    span = span_of(phases, index, spell)
    text = f"{found.level:.1f} %"
    text += f" for {(span[1] - span[0]) / NS / 60:.0f} min" if spell else " at the most that stood"
    text += grown_words(found)
    explained = explained_percent(subject, phases.t[index][-1], float(np.mean(phases.v[:, index[-1]])))
    if explained is not None:
        text += f"; the voltages explain {explained:.1f} %"
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
    return replace(answer, detectable=limit) if outcome is Outcome.ABSENT else answer


def _lasting_s(subject: Subject, phases: Phases) -> float:
    return max(subject.limits["electrical.unbalance_lasting_s"], 2 * phases.interval_s)


def span_of(phases: Phases, index: Times, spell: tuple[int, int] | None) -> tuple[int, int]:
    """First and last stamp of the spell, else of all that was judged."""
    first, last = (index[0], index[-1]) if spell is None else spell
    return int(phases.t[first]), int(phases.t[last])


def explained_percent(subject: Subject, time_ns: int, amps: float) -> float | None:
    """Unbalance of the currents (%) that the voltages make at a time; None where they are not logged.

    To negative sequence a motor is about what it is at standstill, whatever its load: an unbalance of the voltage
    gives one of the current that is larger by locked-rotor over running amps (symmetrical components; 6 to 10 times
    at rated load by NEMA MG 1 clause 14.36.5, more below it).
    """
    phases, _ = read_phases(subject, VOLTS)
    rated = subject.machine.rated_load_amps
    if phases is None or rated is None or amps <= 0.0 or not np.isfinite(widened(subject, phases.clock)):
        return None
    half = round(subject.limits["electrical.unbalance_bin_s"] * NS / 2)
    part = phases.between(int(time_ns) - half, int(time_ns) + half)
    if len(part.t) < _FEW:
        return None
    locked = subject.machine.locked_rotor_amps or subject.limits["electrical.locked_over_rated"] * rated
    return float(np.nanmedian(unbalance_percent(part.v))) * locked / amps


@detector("electrical.unbalance_beyond_volts", three_currents)
def unbalance_beyond_volts(subject: Subject, check: str, view: PhaseView) -> Finding:
    """Decide whether the currents are more uneven than the voltages explain: winding, joint or contact, not supply.

    The unbalance that the voltages make is theirs times locked-rotor over running amps. Its interval has the meters'
    errors and the range of locked-rotor current; the voltages must be logged within the same half-hour.
    """
    phases, limits = view.phases, subject.limits
    percent, usable = current_percent(subject, view)
    if usable.sum() < _FEW:
        return cannot_tell(check, "the motor hardly runs in the window")
    index = np.flatnonzero(usable)
    back = phases.t[index] >= phases.t[index[-1]] - round(limits["electrical.unbalance_bin_s"] * NS)
    index = index[back] if back.sum() >= _FEW else index[-_FEW:]
    span = (int(phases.t[index[0]]), int(phases.t[index[-1]]))
    amps = float(np.mean(phases.v[:, index]))
    volts = explained_percent(subject, (span[0] + span[1]) // 2, amps)
    if volts is None:
        return cannot_tell(check, "no three voltages in the same half-hour, or no rated-load amps")
    level = float(np.median(percent[index]))
    locked = subject.machine.locked_rotor_amps or limits["electrical.locked_over_rated"] * (
        subject.machine.rated_load_amps or amps
    )
    meter = 100.0 * limits["electrical.volts_error"] / 2.0 * locked / amps
    most = volts * limits["electrical.unexplained_share"] + meter
    beyond = level - volts
    low, high = level - _sensor_points(subject) - most, level + _sensor_points(subject) - max(0.0, volts - meter)
    text = f"the currents are uneven by {level:.1f} %; the voltages explain {volts:.1f} % ({most:.1f} % at most)"
    name = "electrical.unbalance_growth"
    outcome = Outcome.PRESENT if low > limits[name] else Outcome.CANNOT_TELL
    if level + _sensor_points(subject) <= limits[name] + max(0.0, volts - meter):
        outcome = Outcome.ABSENT
    found = make_finding(
        subject,
        check,
        outcome,
        text,
        Value(beyond, low, high, "%", name, above=True),
        seen=Seen(span, phases.cites(*span), phases.interval_s, len(index)),
        why_not="the errors of the meters allow the voltages to explain it",
    )
    return replace(found, detectable=limits[name] + most - volts) if outcome is Outcome.ABSENT else found
