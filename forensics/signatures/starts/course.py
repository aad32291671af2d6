"""The course of the last start after its run-up: lift, direction, oil."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.machine.citations import rows_of
from forensics.machine.commands import read_commands
from forensics.machine.duty.baseline import max_age_s
from forensics.machine.starts.start_table import by_pressures
from forensics.machine.states import Run, start_ends
from forensics.machine.stops.rotor_pressure import across_rotors
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Start
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import last_run

Floats = NDArray[np.float64]
_FEWEST = 3
_FIRST_S = 60


@detector("starts.no_lift", last_run)
def no_lift(subject: Subject, check: str, start: Start, run: Run) -> Finding:
    """Decide whether discharge and suction never separated after the last start."""
    rotors = across_rotors(subject)
    if rotors is None:
        return cannot_tell(check, "discharge or suction holds no trusted readings")
    begin, end = _loading_window(subject, run, subject.limits["starts.lift_wait_s"])
    times, values = rotors.between(begin, end)
    limit = subject.limits["starts.lift_kpa"]
    most = float(np.max(values)) if len(values) else float("nan")
    if len(values) and most - rotors.offset_error_kpa > limit:
        outcome = Outcome.ABSENT
    elif len(values) < _FEWEST or (end - begin) / NS < subject.limits["starts.lift_wait_s"] / 3:
        return cannot_tell(check, "too few samples between the end of the unloaded start and the end of the run")
    elif most + rotors.offset_error_kpa < limit:
        outcome = Outcome.PRESENT
    else:
        return cannot_tell(check, f"the difference reached {most:.0f} kPa, within sensor error of the limit")
    error = rotors.offset_error_kpa
    measured = Value.within(most, error, "kPa", "starts.lift_kpa", above=False)
    words = f"Discharge less suction reached {most:.0f} kPa at most after the unloading valve was due to shut."
    cites = rows_of(rotors.upper, begin, end) + rows_of(rotors.lower, begin, end)
    seen = Seen((start.earliest_ns, int(times[-1])), cites, rotors.interval_s, len(values))
    return make_finding(subject, check, outcome, words, measured, seen)


def _loading_window(subject: Subject, run: Run, wait_s: float) -> tuple[int, int]:
    """From the end of the unloaded start to the end of the run, ``wait_s`` and more but never the whole run."""
    commands = read_commands(subject.record, subject.profile)
    begun, told, _ = start_ends(run, commands, subject.limits, subject.profile)
    if not told:
        begun = run.first_ns + round(subject.profile.times.bypass_delay_after_start_s * NS)
    last = run.end.earliest_ns if run.end is not None else run.last_ns
    return begun, min(last, begun + round(10 * wait_s * NS))


@detector("starts.discharge_falls_below_suction", last_run)
def discharge_falls_below_suction(subject: Subject, check: str, start: Start, run: Run) -> Finding:
    """Decide whether discharge fell below suction in the first seconds of the last start."""
    rotors = across_rotors(subject)
    if rotors is None:
        return cannot_tell(check, "discharge or suction holds no trusted readings")
    outcome = by_pressures(subject, run, rotors)
    end = min(run.last_ns, run.first_ns + _FIRST_S * NS)
    _, values = rotors.between(run.first_ns + 2 * NS, end)
    if outcome is Outcome.CANNOT_TELL or not len(values):
        why = "the pressures neither separated the right way nor clearly the wrong way in the first minute"
        return cannot_tell(check, why)
    below = -float(np.median(values[-max(_FEWEST, len(values) // 3) :]))
    error = rotors.offset_error_kpa
    measured = Value.within(below, error, "kPa", "starts.backwards_kpa", above=True)
    side = "below" if below > 0 else "above"
    words = f"Discharge stood {abs(below):.0f} kPa {side} suction at the end of the first minute."
    cites = rows_of(rotors.upper, run.first_ns, end) + rows_of(rotors.lower, run.first_ns, end)
    seen = Seen((start.earliest_ns, end), cites, rotors.interval_s, len(values))
    return make_finding(subject, check, outcome, words, measured, seen)


def oil_difference(subject: Subject) -> tuple[Samples, Floats, float] | None:
    """Oil feed pressure above suction: the point it is read from, kPa at its times, and the level at rest."""
    record = subject.record
    direct = record.fastest(Role.OIL_PRESSURE_DIFFERENCE)
    if direct is not None and len(direct.trusted):
        good = direct.trusted
        return good, good.v, 0.0
    feed, suction = record.fastest(Role.OIL_PRESSURE), record.fastest(Role.SUCTION_PRESSURE)
    if feed is None or suction is None or not len(feed.trusted) or not len(suction.trusted):
        return None
    good, low = feed.trusted, suction.trusted
    return good, good.v - low.at(good.t, max_age_s(low)), 0.0


@detector("starts.oil_pressure_absent", last_run)
def oil_pressure_absent(subject: Subject, check: str, start: Start, run: Run) -> Finding:
    """Decide whether the oil difference stayed near zero after the last start."""
    oil = oil_difference(subject)
    if oil is None:
        return cannot_tell(check, "oil pressure or suction holds no trusted readings")
    point, values, _ = oil
    begin, end = _loading_window(subject, run, subject.limits["starts.oil_wait_s"])
    chosen = (point.t >= begin) & (point.t < end) & np.isfinite(values)
    sampled = values[chosen]
    limit = subject.limits["starts.oil_kpa"]
    if not len(sampled):
        return cannot_tell(check, "no oil pressure sampled after the unloaded start")
    most = float(np.quantile(sampled, 0.95))
    ran_s = (end - run.first_ns) / NS
    if most > limit:
        outcome = Outcome.ABSENT
    elif len(sampled) < _FEWEST or ran_s < subject.limits["starts.oil_wait_s"] * 0.75:
        return cannot_tell(check, f"the run was sampled for {ran_s:.0f} s only; oil may take 60 s to come")
    else:
        outcome = Outcome.PRESENT
    error = subject.limits["coastdown.sensor_kpa"]
    measured = Value.within(most, error, "kPa", "starts.oil_kpa", above=False)
    words = f"The oil difference reached {most:.0f} kPa."
    cites = rows_of(point, begin, end)
    seen = Seen((start.earliest_ns, end), cites, point.interval_s, len(sampled))
    return make_finding(subject, check, outcome, words, measured, seen)
