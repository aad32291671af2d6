"""The run-up of the last start: how long its inrush lasted, and whether the rotor turned at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from forensics.case.schema import Machine
from forensics.machine.citations import rows_of
from forensics.machine.history import run_of, starts_before
from forensics.machine.runs import largest_phase
from forensics.machine.starts.inrush import waveform_inrush
from forensics.machine.starts.start_power import volts_share
from forensics.machine.states import Run
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_lines
from forensics.model.findings import Cite, Finding, Start
from forensics.model.points import NS, Samples
from forensics.model.record import LogLine
from forensics.model.vocabulary import Outcome, Role, Starter
from forensics.rules import Limits
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, downgrade, make_finding, three_way
from forensics.signatures.core.needs import last_run

Floats = NDArray[np.float64]

_FEWEST = 3
_FIRST_S = 60
_STALL_SAMPLES = 3
# half width that holds 95 % of a triangular error of one sample on either side (arithmetic: 1 - root of 0.05)
_DURATION_ERROR = 0.776
_STILL_KPA = 15.0


def _amps(subject: Subject) -> Samples | None:
    point = subject.record.fastest(Role.MOTOR_AMPS)
    return point if point is not None and len(point.usable) else largest_phase(subject.record)


@detector("starts.prolonged_inrush", last_run)
def prolonged_inrush(subject: Subject, check: str, start: Start, run: Run) -> Finding:
    """Decide whether the inrush of the last start lasted much longer than in the machine's own starts."""
    point = _amps(subject)
    if point is None:
        return cannot_tell(check, "no motor_amps")
    rated = subject.machine.rated_load_amps
    if rated is None:
        return cannot_tell(check, "no rated_load_amps on the nameplate given")
    level = subject.limits["starts.inrush_level"] * rated
    wave = waveform_inrush(subject, run, level)
    lasted = _inrush_s(point, run, level) if wave is None else wave[0]
    own = [
        s
        for other in starts_before(subject)[:-1][-50:]
        if (r := run_of(subject, other)) is not None and (s := _inrush_s(point, r, level)) is not None
    ]
    if lasted is None or len(own) < _FEWEST:
        told = "" if lasted is None else f"The inrush of the last start lasted {lasted:.1f} s. "
        return cannot_tell(check, f"{told}{len(own)} own starts with their inrush sampled; {_FEWEST} are needed")
    step = point.interval_s
    error = _DURATION_ERROR * step if wave is None else wave[1]
    usual, low, high = _over_usual(lasted, error, np.array(own), step)
    limit = subject.limits["starts.inrush_ratio"]
    level_words = f"{subject.limits['starts.inrush_level']:g} of rated"
    words = f"Amps stayed above {level_words} for {lasted:.1f} s; {usual:.1f} s is usual over {len(own)} own starts."
    words += _inrush_words(subject, start, run, lasted)
    # where no own inrush was caught there is no usual length, only its upper bound
    ratio = lasted / usual if usual > 0.0 else None
    measured = Value(ratio, low, high if np.isfinite(high) else None, "1", "starts.inrush_ratio", above=True)
    end = start.earliest_ns + _FIRST_S * NS
    cites = (wave[2] if wave is not None else ()) + rows_of(point, start.earliest_ns, end)
    seen = Seen((start.earliest_ns, end), cites, step, len(own))
    outcome = three_way(low, high, limit, above=True)
    found = make_finding(
        subject, check, outcome, words, measured, seen=seen, why_not="the samples are too far apart to call that longer"
    )
    return replace(found, detectable=limit) if outcome is Outcome.ABSENT else found


def _over_usual(lasted_s: float, error_s: float, own_s: Floats, step_s: float) -> tuple[float, float, float]:
    """Usual length of the inrush, s, and the interval of one length over it.

    The usual is the middle half of the own starts; a length counted in samples has a triangular error of one interval
    on either side, and that of a mean of many shrinks with the root of their number.
    """
    inner = np.sort(own_s)[len(own_s) // 4 : len(own_s) - len(own_s) // 4]
    usual = float(np.mean(inner))
    wide = _DURATION_ERROR * step_s / float(np.sqrt(len(inner)))
    low = max(0.0, lasted_s - error_s) / (usual + wide)
    return usual, low, (lasted_s + error_s) / (usual - wide) if usual > wide else float("inf")


def expected_inrush(machine: Machine, limits: Limits) -> tuple[float, float] | None:
    """Least and most current of a start by its starter, A (RMS), from the nameplate's locked-rotor amps.

    Across the line it is the locked-rotor current; in star a third of it, all of it again at the transition; with the
    first part of the winding a half or more; behind an autotransformer the square of its tap. None without locked-rotor
    amps, or where the starter sets the current itself or is not known.
    """
    locked = machine.locked_rotor_amps
    if locked is None:
        return None
    match machine.starter:
        case Starter.ACROSS_THE_LINE:
            return locked, locked
        case Starter.STAR_DELTA | Starter.STAR_DELTA_CLOSED:
            return limits["starts.star_share"] * locked, locked
        case Starter.PART_WINDING:
            return limits["starts.part_winding_share"] * locked, locked
        case Starter.AUTOTRANSFORMER:
            return limits["starts.autotransformer_share"] * locked, locked
        case _:
            return None


def torque_share(volts_share: float) -> float:
    """Run-up torque over that at rated voltage: the square of the voltage (textbook)."""
    return volts_share**2


def _inrush_words(subject: Subject, start: Start, run: Run, lasted_s: float) -> str:
    """What the starter lets expect of the current, and what the supply left of the torque."""
    words = ""
    expected = expected_inrush(subject.machine, subject.limits)
    if expected is not None and start.inrush_amps is not None:
        least, most = (f"{amps:.0f}" for amps in expected)
        range_ = most if least == most else f"{least} to {most}"
        words += f" The largest reading was {start.inrush_amps:.0f} A; by nameplate and starter it is {range_} A."
    share = volts_share(subject, run.first_ns, run.first_ns + round(max(lasted_s, 1.0) * NS))
    if share is not None and share < 1.0 - subject.limits["motor.supply_tolerance"]:
        words += (
            f" The supply stood at {share:.2f} of its rated voltage meanwhile, which leaves "
            f"{torque_share(share):.2f} of the run-up torque."
        )
    return words


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


@detector("starts.locked_rotor", last_run)
def locked_rotor(subject: Subject, check: str, start: Start, run: Run) -> Finding:
    """Decide whether the current stayed at locked-rotor level until it was cut off while the pressures stood still.

    A rotor that stalls in a run that had long begun counts too: full locked-rotor current to the end of the run.
    """
    point, machine = _amps(subject), subject.machine
    if point is None:
        return cannot_tell(check, "no motor_amps")
    usual = subject.limits["starts.locked_rotor_usual"]
    locked = machine.locked_rotor_amps or (usual * machine.rated_load_amps if machine.rated_load_amps else None)
    if locked is None:
        return cannot_tell(check, "neither locked_rotor_amps nor rated_load_amps on the nameplate given")
    full = subject.limits["starts.locked_rotor_share"] * locked
    # past the start only a drive still holds the current
    if machine.starter is not Starter.VARIABLE_SPEED and _outlived(run) and run.end is not None:
        stalled = _stalled(subject, check, run, point, full)
        if stalled is not None:
            return stalled
    if machine.starter in (Starter.SOFT_START, Starter.VARIABLE_SPEED):
        return cannot_tell(check, f"a {machine.starter.value} starter holds the current itself")
    level = full
    level *= subject.limits["starts.star_share"] if machine.starter is Starter.STAR_DELTA else 1.0
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
    told = trip_lines(subject, "locked_rotor")
    if told and (seconds < least or moved is None):
        base = make_finding(subject, check, Outcome.PRESENT, words, measured, Seen(span, cites, point.interval_s))
        return _as_reported(base, told, point, seen=seconds > 0.0 and ended_so and moved is not True)
    if seconds < least:
        if start.settled_amps is None and not _outlived(run):
            return cannot_tell(check, words + " The current was not seen to settle.")
        outcome = Outcome.ABSENT
    elif ended_so and moved is False:
        outcome = Outcome.PRESENT
    elif moved is None:
        return cannot_tell(check, words + " Without pressures a standing rotor is not told from a slow run-up.")
    else:
        outcome = Outcome.ABSENT
        words += " The pressures moved, or the run went on: the rotor turned."
    seen = Seen(span, cites, point.interval_s, max(2, round(seconds / max(point.interval_s, 0.1))))
    found = make_finding(subject, check, outcome, words, measured, seen)
    return replace(found, detectable=least + point.interval_s) if outcome is Outcome.ABSENT else found


def _as_reported(base: Finding, told: tuple[LogLine, ...], point: Samples, *, seen: bool) -> Finding:
    """What the protection measured, with a sample at locked-rotor level where the samples alone are too few.

    A panel that repeats the reading of its own sensor is one witness with it.
    """
    said = f"The protection reported '{told[0].text or told[0].point}'"
    if not seen:
        return downgrade(base, f"{said}, the logged current does not show it")
    others = sum(line.clock != point.origin.clock for line in told)
    rows = tuple(Cite(line.source, line.point, (line.row, line.row)) for line in told)
    statement = f"{base.statement} {said}."
    return replace(base, statement=statement, cites=base.cites + rows, samples=1 + min(others, 1))


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
    seen = Seen(span, rows_of(point, *span), point.interval_s, count)
    return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)


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
        point = subject.record.fastest(role)
        if point is None:
            continue
        before, after = point.before(run.first_ns - NS, 120.0), point.before(run.last_ns, 120.0)
        if before is not None and after is not None and after.index > before.index:
            moves.append(abs(after.value - before.value) > _STILL_KPA)
    return any(moves) if moves else None
