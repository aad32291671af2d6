"""Does gas go round inside, by what the machine does at like duty: hotter gas, and less cooling of what is swept."""

from __future__ import annotations

import numpy as np

from forensics.machine.duty.baseline import AlignedSamples, derived_of, duty_of, heat_of_compression
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.like_duty import against_own, expect
from forensics.signatures.core.limits_and_baseline import ThresholdTest

_KELVIN = 273.15
_WATER = ((Role.CHILLED_WATER_ENTERING,), (Role.CHILLED_WATER_LEAVING,), (Role.SUCTION_PRESSURE,))


def gas_goes_round(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether discharge gas is hotter than the pressures make it while less is cooled for what is swept.

    Swept gas is slide (or current) times the density at suction: what the rotors take in goes with it. Gas that goes
    round is compressed and cools nothing, and comes back hot. Superheat that is logged is taken off, since a starved
    evaporator makes thin gas and a hot discharge as well. Present where both lie beyond their limits in one stretch;
    absent where one ends short of its limit, since what goes round does both; else cannot-tell.
    """
    hotter, cooling = _hotter(subject, check, frame), _cooling(subject, check, frame)
    outcomes = {hotter.outcome, cooling.outcome}
    if outcomes == {Outcome.PRESENT} and _together(hotter, cooling):
        words = (
            f"discharge gas was {hotter.value:+.2g} K ({hotter.low:+.2g} to {hotter.high:+.2g}) from what these "
            f"pressures made it, while the water was cooled {cooling.value:.2f} times ({cooling.low:.2f} to "
            f"{cooling.high:.2f}) as much as is expected of the gas swept"
        )
        return _made(subject, check, Outcome.PRESENT, words, cooling, hotter)
    short = next((f for f in (cooling, hotter) if f.outcome is Outcome.ABSENT), None)
    if short is not None:
        words = f"no moment with falling amps, rising suction and rising discharge temperature; {_seen_of(short)}"
        return _made(subject, check, Outcome.ABSENT, words, short)
    open_ = next(f for f in (cooling, hotter) if f.outcome is not Outcome.ABSENT)
    why = open_.why_not or "the gas was hotter in one stretch and less was cooled in another"
    return cannot_tell(check, f"no moment shows it; a slow or small leak is open: {why}")


def _seen_of(finding: Finding) -> str:
    """What was measured, without the title and the outcome before it."""
    words = finding.statement.partition(f": {finding.outcome.value}. ")[2].rstrip(".")
    return words[:1].lower() + words[1:]


def _made(subject: Subject, check: str, outcome: Outcome, words: str, shown: Finding, *others: Finding) -> Finding:
    """The finding by the measure that decides, with the rows of all."""
    measured = Value(
        shown.value,
        shown.low,
        shown.high,
        shown.unit,
        shown.limit_name,
        above=shown.above,
        limit=shown.limit,
        detectable=shown.detectable,
    )
    cites = (*shown.cites, *(cite for other in others for cite in other.cites))
    seen = Seen((shown.from_ns, shown.to_ns), cites, shown.sample_interval_s, shown.samples)
    return make_finding(subject, check, outcome, words, measured, seen)


def _together(one: Finding, other: Finding) -> bool:
    """Whether the stretches of two findings have a moment in common."""
    if one.from_ns is None or one.to_ns is None or other.from_ns is None or other.to_ns is None:
        return False
    return one.from_ns <= other.to_ns and other.from_ns <= one.to_ns


def _hotter(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    reading, duties = heat_of_compression(subject, frame)
    if reading is None:
        return cannot_tell(check, "no trusted discharge temperature")
    superheat_k = derived_of(subject, frame).superheat_k
    if np.isfinite(superheat_k).any():
        reading = reading - superheat_k
    look = ThresholdTest(
        check,
        reading,
        "K",
        "discharge temperature",
        "refrigerant.recirculation_discharge",
        above=True,
        lasting="refrigerant.recirculation_lasting",
        groups=((Role.DISCHARGE_TEMPERATURE,),),
    )
    return against_own(subject, frame, look, expect(subject, frame, look, duties))


def _cooling(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    entering, leaving, suction = (frame.of(*group) for group in _WATER)
    if entering is None or leaving is None or suction is None:
        return cannot_tell(check, "chilled water entering and leaving are not both logged")
    least_k = subject.limits["refrigerant.water_change_least"]
    change_k = entering - leaving
    warm = frame.of(Role.SUCTION_TEMPERATURE)
    # density goes with pressure over absolute temperature
    density = np.where(suction > 0.0, suction, np.nan) / (1.0 if warm is None else warm + _KELVIN)
    usual = float(np.nanmedian(density)) if np.isfinite(density).any() else float("nan")
    per_gas = change_k * usual / density
    look = ThresholdTest(
        check,
        per_gas,
        "1",
        "cooling for the gas swept",
        "refrigerant.recirculation_cooling",
        above=False,
        lasting="refrigerant.recirculation_lasting",
        groups=_WATER,
        ratio=True,
    )
    duties = duty_of(subject, frame, lift=False)
    slope = subject.limits["refrigerant.water_slope"]
    expected = expect(subject, frame, look, duties, learn=change_k > least_k, slope=slope)
    large = expected.expected > least_k
    usable = frame.settled & (large[expected.blocks.of] if len(large) else False)
    return against_own(subject, frame, look, expected, usable)
