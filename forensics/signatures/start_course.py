"""The course of the last start: inrush, standing rotor, lift, direction, oil."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.commands import read_commands
from forensics.findings import Finding, Start
from forensics.points import NS, Samples
from forensics.rules import read_checks
from forensics.runs import largest_phase
from forensics.signatures.across import across_rotors
from forensics.signatures.answer import Seen, Value, answered, rows_of
from forensics.signatures.base import Subject, cannot_tell, points_for
from forensics.signatures.duty import max_age_s, trusted
from forensics.signatures.start_table import by_pressures
from forensics.signatures.starts_before import last_start, run_of, starts_before, unseen_run
from forensics.states import Run, start_ends
from forensics.vocabulary import Outcome, Role, Starter

Floats = NDArray[np.float64]
_FEWEST = 3
_FIRST_S = 60
_STALL_SAMPLES = 3
_STAR_SHARE = 1.0 / 3.0
_TYPICAL_LOCKED = 6.0
_STILL_KPA = 15.0


def _ready(subject: Subject, check: str) -> tuple[Start, Run] | Finding:
    """Last start and its run, or the cannot-tell of a check whose needs are not met."""
    _, missing = points_for(subject, read_checks()[check])
    start = last_start(subject)
    run = run_of(subject, start) if start is not None else None
    if missing or start is None or run is None:
        return cannot_tell(check, missing or "no start before the failure in the record")
    if unseen := unseen_run(subject):
        return cannot_tell(check, unseen)
    return start, run


def _amps(subject: Subject) -> Samples | None:
    point = subject.record.point(Role.MOTOR_AMPS)
    return point if point is not None and len(point.usable) else largest_phase(subject.record)


def prolonged_inrush(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the inrush of the last start lasted much longer than in the machine's own starts."""
    check = "starts.prolonged_inrush"
    ready = _ready(subject, check)
    if isinstance(ready, Finding):
        return (ready,)
    start, run = ready
    point = _amps(subject)
    if point is None:
        return (cannot_tell(check, "no motor_amps"),)
    rated = subject.machine.rated_load_amps
    if rated is None:
        return (cannot_tell(check, "no rated_load_amps on the nameplate given"),)
    level = 1.2 * rated
    lasted = _inrush_s(point, run, level)
    own = [
        s
        for other in starts_before(subject)[:-1][-50:]
        if (r := run_of(subject, other)) is not None and (s := _inrush_s(point, r, level)) is not None
    ]
    if lasted is None or len(own) < _FEWEST:
        return (cannot_tell(check, f"{len(own)} own starts with their inrush sampled; {_FEWEST} are needed"),)
    usual = max(float(np.median(own)), point.interval_s)
    step = point.interval_s
    ratio, low, high = lasted / usual, (lasted - step) / usual, (lasted + step) / usual
    limit = subject.limits["starts.inrush_ratio"]
    words = f"Amps stayed above 1.2 of rated for {lasted:.1f} s; {usual:.1f} s is usual over {len(own)} own starts."
    measured = Value(ratio, low, high, "1", "starts.inrush_ratio", above=True)
    if low <= limit < high and ratio > limit:
        return (cannot_tell(check, words + " The samples are too far apart to call that longer."),)
    outcome = Outcome.PRESENT if ratio > limit else Outcome.ABSENT
    end = start.earliest_ns + _FIRST_S * NS
    cites = rows_of(point, start.earliest_ns, end)
    return (
        answered(
            subject,
            check,
            outcome,
            words,
            measured,
            Seen(span_ns=(start.earliest_ns, end), cites=cites, interval_s=step, samples=len(own)),
        ),
    )


def _inrush_s(point: Samples, run: Run, level: float) -> float | None:
    part = point.usable.between(run.first_ns - NS, min(run.first_ns + _FIRST_S * NS, run.last_ns + NS))
    if len(part) < _FEWEST:
        return None
    high = part.v > level
    # from the first to the last high sample: a star-delta start has two peaks, the transition between them
    index = np.flatnonzero(high)
    if not len(index):
        return 0.0
    return float((part.t[index[-1]] - part.t[index[0]]) / NS + point.interval_s)


def locked_rotor(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the current stayed at locked-rotor level until it was cut off while the pressures stood still.

    A rotor that stalls in a run that had long begun counts too: full locked-rotor current to the end of the run.
    """
    check = "starts.locked_rotor"
    ready = _ready(subject, check)
    if isinstance(ready, Finding):
        return (ready,)
    start, run = ready
    point, machine = _amps(subject), subject.machine
    if point is None:
        return (cannot_tell(check, "no motor_amps"),)
    locked = machine.locked_rotor_amps or (
        _TYPICAL_LOCKED * machine.rated_load_amps if machine.rated_load_amps else None
    )
    if locked is None:
        return (cannot_tell(check, "neither locked_rotor_amps nor rated_load_amps on the nameplate given"),)
    if machine.starter in (Starter.SOFT_START, Starter.VARIABLE_SPEED):
        return (cannot_tell(check, f"a {machine.starter.value} starter holds the current itself"),)
    full = subject.limits["starts.locked_rotor_share"] * locked
    if _outlived(run) and run.end is not None:
        stalled = _stalled(subject, check, run, point, full)
        if stalled is not None:
            return (stalled,)
    level = full
    level *= _STAR_SHARE if machine.starter is Starter.STAR_DELTA else 1.0
    seconds = max(
        _longest_s(point, run.first_ns - NS, min(run.first_ns + _FIRST_S * NS, run.last_ns + NS), level),
        _longest_s(point, run.last_ns - 20 * NS, run.last_ns + NS, level) if run.end is not None else 0.0,
    )
    least = subject.limits["starts.locked_rotor_s"]
    if machine.starter is Starter.STAR_DELTA:
        least = max(least, subject.limits["starts.settle_star_delta_s"] + 2.0)
    ended_so = run.end is not None and (run.last_ns - run.first_ns) / NS < seconds + 10.0
    moved = _pressures_moved(subject, run)
    words = f"The current stood above {level:.0f} A for {seconds:.0f} s."
    measured = Value(seconds, max(0.0, seconds - point.interval_s), seconds + point.interval_s, "s")
    span = (start.earliest_ns, min(run.last_ns, run.first_ns + _FIRST_S * NS))
    cites = rows_of(point, *span)
    if seconds < least:
        if start.settled_amps is None and not _outlived(run):
            return (cannot_tell(check, words + " The current was not seen to settle."),)
        outcome = Outcome.ABSENT
    elif ended_so and moved is False:
        outcome = Outcome.PRESENT
    elif moved is None:
        return (cannot_tell(check, words + " Without pressures a standing rotor is not told from a slow run-up."),)
    else:
        outcome = Outcome.ABSENT
        words += " The pressures moved, or the run went on: the rotor turned."
    return (
        answered(
            subject,
            check,
            outcome,
            words,
            measured,
            Seen(
                span_ns=span,
                cites=cites,
                interval_s=point.interval_s,
                samples=max(2, round(seconds / max(point.interval_s, 0.1))),
            ),
        ),
    )


def _stalled(subject: Subject, check: str, run: Run, point: Samples, level: float) -> Finding | None:
    """A run that ended in locked-rotor current without a break; None where it did not."""
    begin = run.last_ns - _FIRST_S * NS
    part = point.usable.between(begin, run.last_ns + NS)
    on = part.v[: int(np.searchsorted(part.t, run.last_ns, side="right"))]
    below = np.flatnonzero(on <= level)
    count = len(on) - (int(below[-1]) + 1 if len(below) else 0)
    if count < _STALL_SAMPLES or count == len(on):
        return None
    span = (int(part.t[len(on) - count]), int(part.t[len(on) - 1]))
    seconds = (span[1] - span[0]) / NS
    if seconds < subject.limits["starts.stall_s"]:
        return None
    words = f"In the run the current rose above {level:.0f} A and stood there for {seconds:.0f} s until it was cut off."
    measured = Value(seconds, max(0.0, seconds - point.interval_s), seconds + point.interval_s, "s")
    seen = Seen(span_ns=span, cites=rows_of(point, *span), interval_s=point.interval_s, samples=count)
    return answered(subject, check, Outcome.PRESENT, words, measured, seen)


def _outlived(run: Run) -> bool:
    return (run.last_ns - run.first_ns) / NS > 2 * _FIRST_S


def _longest_s(point: Samples, start_ns: int, end_ns: int, level: float) -> float:
    part = point.usable.between(start_ns, end_ns)
    if not len(part):
        return 0.0
    edge = np.diff(np.concatenate(([0], (part.v > level).astype(np.int8), [0])))
    first, last = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    if not len(first):
        return 0.0
    return float(np.max(part.t[last] - part.t[first])) / NS + min(point.interval_s, 2.0)


def _pressures_moved(subject: Subject, run: Run) -> bool | None:
    """Whether suction or discharge moved over a run; None where neither is sampled on both sides."""
    moves = []
    for role in (Role.SUCTION_PRESSURE, Role.DISCHARGE_PRESSURE, Role.HIGH_SIDE_PRESSURE):
        point = subject.record.point(role)
        if point is None:
            continue
        before, after = point.before(run.first_ns - NS, 120.0), point.before(run.last_ns, 120.0)
        if before is not None and after is not None and after.index > before.index:
            moves.append(abs(after.value - before.value) > _STILL_KPA)
    return any(moves) if moves else None


def no_lift(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether discharge and suction never separated after the last start."""
    check = "starts.no_lift"
    ready = _ready(subject, check)
    if isinstance(ready, Finding):
        return (ready,)
    start, run = ready
    rotors = across_rotors(subject)
    if rotors is None:
        return (cannot_tell(check, "discharge or suction holds no trusted readings"),)
    begin, end = _loading_window(subject, run, subject.limits["starts.lift_wait_s"])
    times, values = rotors.between(begin, end)
    limit = subject.limits["starts.lift_kpa"]
    most = float(np.max(values)) if len(values) else float("nan")
    if len(values) and most - rotors.offset_error_kpa > limit:
        outcome = Outcome.ABSENT
    elif len(values) < _FEWEST or (end - begin) / NS < subject.limits["starts.lift_wait_s"] / 3:
        return (cannot_tell(check, "too few samples between the end of the unloaded start and the end of the run"),)
    elif most + rotors.offset_error_kpa < limit:
        outcome = Outcome.PRESENT
    else:
        return (cannot_tell(check, f"the difference reached {most:.0f} kPa, within sensor error of the limit"),)
    error = rotors.offset_error_kpa
    measured = Value(most, most - error, most + error, "kPa", "starts.lift_kpa", above=False)
    words = f"Discharge less suction reached {most:.0f} kPa at most after the unloading valve was due to shut."
    cites = rows_of(rotors.upper, begin, end) + rows_of(rotors.lower, begin, end)
    return (
        answered(
            subject,
            check,
            outcome,
            words,
            measured,
            Seen(
                span_ns=(start.earliest_ns, int(times[-1])),
                cites=cites,
                interval_s=rotors.interval_s,
                samples=len(values),
            ),
        ),
    )


def _loading_window(subject: Subject, run: Run, wait_s: float) -> tuple[int, int]:
    """From the end of the unloaded start to the end of the run, ``wait_s`` and more but never the whole run."""
    commands = read_commands(subject.record, subject.profile)
    begun, told, _ = start_ends(run, commands, subject.limits)
    if not told:
        begun = run.first_ns + round(subject.profile.times.bypass_delay_after_start_s * NS)
    last = run.end.earliest_ns if run.end is not None else run.last_ns
    return begun, min(last, begun + round(10 * wait_s * NS))


def discharge_falls_below_suction(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether discharge fell below suction in the first seconds of the last start."""
    check = "starts.discharge_falls_below_suction"
    ready = _ready(subject, check)
    if isinstance(ready, Finding):
        return (ready,)
    start, run = ready
    rotors = across_rotors(subject)
    if rotors is None:
        return (cannot_tell(check, "discharge or suction holds no trusted readings"),)
    outcome = by_pressures(subject, run, rotors)
    end = min(run.last_ns, run.first_ns + _FIRST_S * NS)
    _, values = rotors.between(run.first_ns + 2 * NS, end)
    if outcome is Outcome.CANNOT_TELL or not len(values):
        why = "the pressures neither separated the right way nor clearly the wrong way in the first minute"
        return (cannot_tell(check, why),)
    below = -float(np.median(values[-max(_FEWEST, len(values) // 3) :]))
    error = rotors.offset_error_kpa
    measured = Value(below, below - error, below + error, "kPa", "starts.backwards_kpa", above=True)
    side = "below" if below > 0 else "above"
    words = f"Discharge stood {abs(below):.0f} kPa {side} suction at the end of the first minute."
    cites = rows_of(rotors.upper, run.first_ns, end) + rows_of(rotors.lower, run.first_ns, end)
    return (
        answered(
            subject,
            check,
            outcome,
            words,
            measured,
            Seen(span_ns=(start.earliest_ns, end), cites=cites, interval_s=rotors.interval_s, samples=len(values)),
        ),
    )


def oil_difference(subject: Subject) -> tuple[Samples, Floats, float] | None:
    """Oil feed pressure above suction: the point it is read from, kPa at its times, and the level at rest."""
    record = subject.record
    direct = record.point(Role.OIL_PRESSURE_DIFFERENCE)
    if direct is not None and len(trusted(direct)):
        good = trusted(direct)
        return good, good.v, 0.0
    feed, suction = record.point(Role.OIL_PRESSURE), record.point(Role.SUCTION_PRESSURE)
    if feed is None or suction is None or not len(trusted(feed)) or not len(trusted(suction)):
        return None
    good, low = trusted(feed), trusted(suction)
    return good, good.v - low.at(good.t, max_age_s(low)), 0.0


def oil_pressure_absent(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the oil difference stayed near zero after the last start."""
    check = "starts.oil_pressure_absent"
    ready = _ready(subject, check)
    if isinstance(ready, Finding):
        return (ready,)
    start, run = ready
    oil = oil_difference(subject)
    if oil is None:
        return (cannot_tell(check, "oil pressure or suction holds no trusted readings"),)
    point, values, _ = oil
    begin, end = _loading_window(subject, run, subject.limits["starts.oil_wait_s"])
    chosen = (point.t >= begin) & (point.t < end) & np.isfinite(values)
    seen = values[chosen]
    limit = subject.limits["starts.oil_kpa"]
    if not len(seen):
        return (cannot_tell(check, "no oil pressure sampled after the unloaded start"),)
    most = float(np.quantile(seen, 0.95))
    ran_s = (end - run.first_ns) / NS
    if most > limit:
        outcome = Outcome.ABSENT
    elif len(seen) < _FEWEST or ran_s < subject.limits["starts.oil_wait_s"] * 0.75:
        return (cannot_tell(check, f"the run was sampled for {ran_s:.0f} s only; oil may take 60 s to come"),)
    else:
        outcome = Outcome.PRESENT
    error = subject.limits["coastdown.sensor_kpa"]
    measured = Value(most, most - error, most + error, "kPa", "starts.oil_kpa", above=False)
    words = f"The oil difference reached {most:.0f} kPa."
    cites = rows_of(point, begin, end)
    return (
        answered(
            subject,
            check,
            outcome,
            words,
            measured,
            Seen(span_ns=(start.earliest_ns, end), cites=cites, interval_s=point.interval_s, samples=len(seen)),
        ),
    )
