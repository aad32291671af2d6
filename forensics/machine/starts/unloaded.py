"""Whether a start was unloaded: by slide, then by the machine's own starts, then by amps ratio, shaft load and power.

The ratio of amps is not the ratio of power. Where the no-load amps are given, the shaft load that the amps limit
stands for at a typical no-load current gives a second limit in amps; between the two the motor's power decides. A
limit that the case gives for this machine stands over both.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from forensics.machine.duty.line_amps import ROOT_3
from forensics.machine.duty.motor_circuit import Interval, MotorLoad
from forensics.machine.starts.start_power import NO_MOTOR, NOTHING_BESIDE, Beside, Motor
from forensics.model.findings import Start
from forensics.model.vocabulary import Answer
from forensics.rules import Limits

LIMIT: Final = "starts.unloaded_ratio_max"
BY_SLIDE, BY_OWN, BY_POWER = "slide position", "own starts", "motor power"
BY_AMPS, BY_AMPS_AND_LOAD = "ratio", "ratio and shaft load"
_FEWEST_SETTLED = 3


@dataclass(frozen=True, slots=True)
class UnloadedVerdict:
    """Whether a start was unloaded, what judged it, and why: for cannot-tell what is missing."""

    answer: Answer
    by: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class UnloadedCriterion:
    """What the starts of one record are held against.

    Attributes
    ----------
    own
        Usual ratio of the machine's own unloaded starts, read from the same kind of point; None where it has too few.
    motor
        Circuit and power reading of its motor.
    misleading
        Why its amps do not tell the load at all; empty where they do.
    place_unsure
        Why they may be those of a winding inside the delta; empty where they are not.
    """

    limits: Limits
    own: float | None = None
    motor: Motor = NO_MOTOR
    misleading: str = ""
    place_unsure: str = ""

    @property
    def given(self) -> bool:
        """Whether the case gives the limit of the ratio for this machine."""
        return self.limits.limit(LIMIT).kind == "site"

    @property
    def load(self) -> MotorLoad | None:
        """Circuit of the motor, where it has a say beside the limit of the ratio."""
        return None if self.given else self.motor.load


def judge_starts(
    starts: Sequence[Start], beside: Sequence[Beside], motor: Motor, limits: Limits, *, place_unsure: str = ""
) -> tuple[Start, ...]:
    """Say of each start whether it was unloaded.

    Parameters
    ----------
    starts, beside
        The starts of a record, not yet judged, and what was seen beside the amps of each.
    """
    misleading = _misleading(starts, beside, motor, limits)
    # ratios from amps and from power are held against their own kind
    standards = {
        source: replace(
            _standard([s for s in starts if s.ratio_from == source], motor, limits, "" if source else misleading),
            place_unsure="" if source else place_unsure,
        )
        for source in {s.ratio_from for s in starts}
    }
    out = []
    for start, seen in zip(starts, beside, strict=True):
        standard = standards[start.ratio_from]
        found = judge_unloaded(start, standard, seen)
        shaft = shaft_load(start, standard, seen)
        open_ = found.answer is Answer.CANNOT_TELL
        out.append(
            replace(
                start,
                unloaded=found.answer,
                judged_by=found.by,
                judged_why="" if open_ else found.why,
                why_not=found.why if open_ else "",
                shaft_load=None if shaft is None else (shaft.low, shaft.high),
            )
        )
    return tuple(out)


def _standard(starts: Sequence[Start], motor: Motor, limits: Limits, misleading: str) -> UnloadedCriterion:
    bare = UnloadedCriterion(limits, None, motor, misleading)
    if misleading:
        return bare
    least, _ = _zone(bare)
    below = [s.ratio for s in starts if s.ratio is not None and s.high is not None and s.high <= least]
    own = float(np.quantile(below, 0.25)) if len(below) >= limits["starts.own_least"] else None
    return replace(bare, own=own)


def _misleading(starts: Sequence[Start], beside: Sequence[Beside], motor: Motor, limits: Limits) -> str:
    """Why the amps of a record do not tell the load: some lie below what the motor draws with no load at all."""
    if motor.load is None:
        return ""
    least = motor.load.no_load_ratio * (1.0 - limits["motor.no_load_tolerance"])
    count = 0
    for start, seen in zip(starts, beside, strict=True):
        if start.high is None or start.ratio_from or start.settled_samples < _FEWEST_SETTLED:
            continue
        share = limits["motor.no_load_voltage"] if seen.volts_share is None else min(1.0, seen.volts_share)
        count += start.high < least * share
    if not count:
        return ""
    return (
        f"settled amps lie below the motor's no-load amps in {count} of {len(starts)} starts: capacitors at the motor, "
        "a wrong ratio of the current sensor, or wrong no_load_amps"
    )


def judge_unloaded(start: Start, standard: UnloadedCriterion, beside: Beside = NOTHING_BESIDE) -> UnloadedVerdict:
    """Whether one start was unloaded: slide position first, own history second, then the load."""
    by_slide = _by_slide(start, standard.limits)
    by_load = _by_load(start, standard, beside)
    if by_slide is Answer.CANNOT_TELL:
        return by_load
    if by_load.answer not in (Answer.CANNOT_TELL, by_slide) and not _near_limit(start, standard.limits):
        other = BY_POWER if by_load.by == BY_POWER else "settled amps"
        return UnloadedVerdict(Answer.CANNOT_TELL, "", f"slide position and {other} contradict each other")
    return UnloadedVerdict(by_slide, BY_SLIDE)


def _by_slide(start: Start, limits: Limits) -> Answer:
    if start.slide_percent is None:
        return Answer.CANNOT_TELL
    if start.slide_percent <= limits["starts.slide_unloaded_max"]:
        return Answer.YES
    return Answer.NO if start.slide_percent >= limits["starts.slide_loaded_min"] else Answer.CANNOT_TELL


def _near_limit(start: Start, limits: Limits) -> bool:
    """Whether the ratio lies within a tenth of the limit, where smaller machines differ."""
    return start.ratio is not None and abs(start.ratio / limits[LIMIT] - 1) <= limits["starts.own_alike"] - 1


def _by_load(start: Start, standard: UnloadedCriterion, beside: Beside) -> UnloadedVerdict:
    """By own starts, ratio, shaft load and power."""
    if start.ratio_censored == "below" and start.high is not None and not standard.misleading:
        return _by_bound(start.high, start.why_not, standard)
    if start.ratio is None or start.low is None or start.high is None:
        return UnloadedVerdict(Answer.CANNOT_TELL, "", start.why_not)
    power = _by_power(standard, beside)
    if standard.misleading:
        return _power_instead(standard.misleading, power)
    found = _by_own(start, standard)
    if found is None and start.ratio_from and not standard.given:
        return _power_instead("there are no settled amps", power)
    if found is None:
        found = _by_amps(start, standard, beside)
        if found.answer is Answer.CANNOT_TELL and standard.load is not None:
            return _power_instead(found.why, power)
    if standard.place_unsure and found.answer is Answer.YES and start.high * ROOT_3 > _zone(standard)[0]:
        # as winding amps the same reading would be a loaded start
        return _power_instead(standard.place_unsure, power)
    if not standard.given and {found.answer, power.answer} == {Answer.YES, Answer.NO}:
        why = f"{found.by} and motor power contradict each other ({power.why})"
        return UnloadedVerdict(Answer.CANNOT_TELL, "", why)
    return found


def _by_bound(high: float, why_not: str, standard: UnloadedCriterion) -> UnloadedVerdict:
    """By what the settled ratio can't have passed: unloaded where that lies under the limit."""
    stretch = ROOT_3 if standard.place_unsure else 1.0
    if high * stretch <= _zone(standard)[0]:
        return UnloadedVerdict(Answer.YES, BY_AMPS, f"it settled at {high:.2f} of rated or less")
    return UnloadedVerdict(Answer.CANNOT_TELL, "", why_not)


def _power_instead(why: str, power: UnloadedVerdict) -> UnloadedVerdict:
    """The answer of the power where amps do not tell, with why they do not."""
    said = f"{why}; {power.why}" if power.why else why
    return UnloadedVerdict(power.answer, power.by, said)


def _by_own(start: Start, standard: UnloadedCriterion) -> UnloadedVerdict | None:
    """By the machine's own unloaded starts; None where they settle nothing."""
    limits, own = standard.limits, standard.own
    if own is None or start.ratio is None or start.low is None or start.high is None:
        return None
    if start.low > limits["starts.own_above"] * own:
        if start.ratio > limits[LIMIT]:
            return UnloadedVerdict(Answer.NO, BY_OWN)
        why = "above the machine's own unloaded starts, yet below the limit of the ratio"
        return UnloadedVerdict(Answer.CANNOT_TELL, "", why)
    return UnloadedVerdict(Answer.YES, BY_OWN) if start.high <= limits["starts.own_alike"] * own else None


def _zone(standard: UnloadedCriterion) -> tuple[float, float]:
    """Ratios below which a start is unloaded, and above which it is loaded, by amps limit and shaft load alike."""
    limit = standard.limits[LIMIT]
    if standard.load is None:
        return limit, limit
    same = standard.load.limit_in_amps(limit)
    return min(limit, same.low), max(limit, same.high)


def _by_amps(start: Start, standard: UnloadedCriterion, beside: Beside) -> UnloadedVerdict:
    assert start.low is not None
    assert start.high is not None
    limits, limit = standard.limits, standard.limits[LIMIT]
    least, most = _zone(standard)
    by = BY_AMPS if standard.load is None else BY_AMPS_AND_LOAD
    stretch, far = (1.0, "") if start.ratio_from else _voltage(beside, limits)
    if start.high * stretch <= least:
        return UnloadedVerdict(Answer.YES, by)
    if start.low / stretch > most:
        return UnloadedVerdict(Answer.NO, by)
    interval = f"{start.low:.2f} to {start.high:.2f}"
    if start.low <= limit < start.high or (standard.load is None and not far):
        return UnloadedVerdict(Answer.CANNOT_TELL, "", f"the ratio's interval {interval} straddles {limit:g}")
    if far or standard.load is None:
        return UnloadedVerdict(
            Answer.CANNOT_TELL, "", f"{far}: a ratio of {interval} does not tell the load against {limit:g}"
        )
    why = (
        f"amps mislead here: with no-load amps of {standard.load.no_load_ratio:.2f} of rated the motor draws "
        f"{least:.2f} to {most:.2f} at the load of the limit {limit:g}, and the ratio's interval is {interval}"
    )
    return UnloadedVerdict(Answer.CANNOT_TELL, "", why)


def _voltage(beside: Beside, limits: Limits) -> tuple[float, str]:
    """How far the voltage may put the ratio off: load amps go against it, magnetising amps with its square at most."""
    share = beside.volts_share
    if share is None or abs(share - 1.0) <= limits["starts.volts_far"]:
        return 1.0, ""
    return max(share**2, 1.0 / share), f"the voltage stood at {share:.2f} of supply_volts"


def _by_power(standard: UnloadedCriterion, beside: Beside) -> UnloadedVerdict:
    """By motor power against that of this motor at the shaft load of the limit."""
    motor, limits = standard.motor, standard.limits
    if motor.load is None or beside.active is None:
        return UnloadedVerdict(Answer.CANNOT_TELL, "", beside.no_power)
    limit = motor.load.limit_in_active(limits[LIMIT], no_load_known=not standard.misleading)
    share, most = (motor.load.input_at_active(x.value).value for x in (beside.active, limit))
    said = f"motor power was {share:.2f} of rated, {most:.2f} is that of the limit"
    if beside.active.high <= limit.low:
        if standard.misleading and motor.reached < limits["motor.power_seen_min"]:
            why = f"motor power may be read by the same sensor: it never passed {motor.reached:.2f} of rated"
            return UnloadedVerdict(Answer.CANNOT_TELL, "", why)
        return UnloadedVerdict(Answer.YES, BY_POWER, said)
    if beside.active.low > limit.high:
        return UnloadedVerdict(Answer.NO, BY_POWER, said)
    return UnloadedVerdict(Answer.CANNOT_TELL, "", f"{said}: too near to tell")


def shaft_load(start: Start, standard: UnloadedCriterion, beside: Beside) -> Interval | None:
    """Fraction of rated shaft power of a start: by its power where amps do not tell it, else by its ratio.

    None without a circuit, and where the ratio lies below the no-load amps.
    """
    load = standard.motor.load
    if load is None:
        return None
    if start.ratio_from or standard.misleading:
        active = beside.active
        return None if active is None else _over(load.shaft_at_active, (active.value, active.low, active.high))
    if start.ratio is None or start.low is None or start.high is None:
        return None
    return _over(load.shaft_fraction, (start.ratio, start.low, start.high))


def _over(quantity: Callable[[float], Interval | None], values: tuple[float, float, float]) -> Interval | None:
    """A quantity at a value, its interval over that of the value; None where there is none at the value itself."""
    at, *ends = (quantity(value) for value in values)
    if at is None:
        return None
    known = [at, *(end for end in ends if end is not None)]
    return Interval(at.value, min(k.low for k in known), max(k.high for k in known))
