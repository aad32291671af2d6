"""Is the refrigerant circuit as it should be: superheat, subcooling, approaches, condensing and suction, water side.

What comes and goes within seconds, and the expansion valve, are in :mod:`forensics.signatures.refrigerant_events`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.duty.baseline import (
    DISCHARGE,
    HIGH_SIDE,
    AlignedSamples,
    Derived,
    Duties,
    Floats,
    duty_of,
    heat_of_compression,
)
from forensics.machine.subject import Subject
from forensics.model.build_words import Evaporator
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome, Role
from forensics.refrigerants.catalogue import SaturationCurve
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import cannot_tell, downgrade
from forensics.signatures.core.like_duty import against_own, expect
from forensics.signatures.core.limits_and_baseline import (
    ThresholdTest,
    against_limit,
    own_then_level,
    running_saturated,
)

_FEW = 500
_FLOODED = (Evaporator.FLOODED, Evaporator.FALLING_FILM)
_SUCTION = ((Role.SUCTION_PRESSURE,), (Role.SUCTION_TEMPERATURE,))
_DISCHARGE = (DISCHARGE, (Role.DISCHARGE_TEMPERATURE,))
_LIQUID = (HIGH_SIDE, (Role.LIQUID_TEMPERATURE,))


@detector("refrigerant.superheat_low", running_saturated)
def superheat_low(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether suction superheat (dew) was lost in settled running.

    The level is that of a dry expansion. A flooded evaporator stands near saturation by design, so that there neither
    the level nor its change tells liquid from gas; where nobody said which it is, a low level that was always so does
    not either.
    """
    reading = derived.superheat_k
    look = ThresholdTest(
        check, reading, "K", "superheat (dew)", check, above=False, lasting=f"{check}_lasting", groups=_SUCTION
    )
    level = against_limit(subject, frame, look)
    if level.outcome is Outcome.ABSENT:
        return level
    own = replace(look, limit_name="refrigerant.superheat_fall")
    fell = against_own(subject, frame, own, expect(subject, frame, own, duty_of(subject, frame, lift=True)))
    if subject.build.evaporator in _FLOODED:
        if level.outcome is Outcome.PRESENT and fell.outcome is Outcome.PRESENT:
            return level
        return downgrade(fell, fell.why_not or "a flooded evaporator runs near saturation by design")
    if fell.outcome is not Outcome.ABSENT:
        return level
    why = level.why_not
    if level.outcome is Outcome.PRESENT:
        why = "it is as low as it was before: a flooded evaporator stands there by design"
    return downgrade(level if subject.build.evaporator is not None else fell, why)


@detector("refrigerant.superheat_high", running_saturated)
def superheat_high(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether suction superheat (dew) stayed high, or well above the machine's own usual."""
    return _own_and_limit(
        subject, frame, check, derived.superheat_k, "superheat (dew)", groups=_SUCTION, own_limit="superheat_rise"
    )


def _own_and_limit(
    subject: Subject,
    frame: AlignedSamples,
    check: str,
    reading: Floats,
    words: str,
    groups: tuple[tuple[Role, ...], ...],
    own_limit: str,
) -> Finding:
    """A slow quantity: present by either judgement, absent where its level is plainly normal."""
    low = check.endswith("_low")
    lasting = {
        "superheat_rise": "refrigerant.superheat_high_lasting",
        "subcooling_drop": "refrigerant.subcooling_lasting",
        "subcooling_rise": "refrigerant.subcooling_lasting",
    }.get(own_limit, "refrigerant.approach_lasting")
    level = ThresholdTest(
        check, reading, "K", words, check, above=not low, lasting=lasting, groups=groups, sudden=False
    )
    own = replace(level, limit_name=f"refrigerant.{own_limit}")
    judged = against_own(subject, frame, own, expect(subject, frame, own, duty_of(subject, frame, lift=True)))
    textbook = against_limit(subject, frame, level)
    # a chronic state is one too: a short charge may be older than the record
    return textbook if textbook.outcome is Outcome.PRESENT else own_then_level(judged, textbook, level_excludes=True)


@detector("refrigerant.discharge_superheat_low", running_saturated)
def discharge_superheat_low(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether discharge superheat fell well below the machine's own usual, or the gas was saturated.

    No fixed superheat is a test: at 5 and 40 degC saturation the isentropic value alone is 3 K for R1234ze(E), 8.5 K
    for R134a, 20 K for R22 and 51 K for R717, and oil cooling takes more.
    """
    reading = derived.discharge_superheat_k
    lasting = "refrigerant.discharge_superheat_lasting"
    own = ThresholdTest(
        check,
        reading,
        "K",
        "discharge superheat",
        "refrigerant.discharge_superheat_drop",
        above=False,
        lasting=lasting,
        groups=_DISCHARGE,
    )
    wet = replace(own, limit_name="refrigerant.discharge_saturated")
    own, duties = _at_these_pressures(subject, frame, own)
    expected = expect(subject, frame, own, duties)
    level = against_limit(subject, frame, wet)
    if level.outcome is Outcome.PRESENT:
        return level
    judged = own_then_level(against_own(subject, frame, own, expected), level, level_excludes=False)
    return _dry(subject, frame, judged)


def _at_these_pressures(subject: Subject, frame: AlignedSamples, look: ThresholdTest) -> tuple[ThresholdTest, Duties]:
    """The same look with what the pressures explain of discharge temperature taken off, and the duties left."""
    reading, duties = heat_of_compression(subject, frame)
    return (look if reading is None else replace(look, reading=reading)), duties


def _dry(subject: Subject, frame: AlignedSamples, judged: Finding) -> Finding:
    """Let absence stand only where the discharge gas kept most of the superheat that dry compression gives it.

    Oil takes heat from the gas, so that a sound machine may lie below the isentropic temperature. What is missing to it
    is at most what liquid can have taken: where little of the isentropic superheat is left, oil and liquid that was
    there all along can't be told apart.
    """
    curve = subject.saturation
    suction = frame.of(Role.SUCTION_TEMPERATURE)
    if judged.outcome is not Outcome.ABSENT or not isinstance(curve, SaturationCurve) or suction is None:
        return judged
    at = np.flatnonzero(frame.settled & frame.judged & np.isfinite(suction))[:: max(1, len(frame.t) // _FEW)]
    pressures = [frame.of(Role.SUCTION_PRESSURE), frame.of(*DISCHARGE), frame.of(Role.DISCHARGE_TEMPERATURE)]
    if not len(at) or any(p is None for p in pressures):
        return judged
    low_kpa, high_kpa, hot_c = (p[at] for p in pressures if p is not None)
    dry_k = curve.isentropic_discharge_c(low_kpa, suction[at], high_kpa) - curve.dew_c(high_kpa)
    left = (hot_c - curve.dew_c(high_kpa)) / np.maximum(dry_k, 1.0)
    if np.isfinite(left).any() and float(np.nanmedian(left)) < subject.limits["refrigerant.discharge_dry_share"]:
        why = "discharge was much colder than dry isentropic compression throughout: oil cooling or liquid"
        return downgrade(judged, why)
    return judged


@detector("refrigerant.discharge_superheat_high", running_saturated)
def discharge_superheat_high(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether discharge superheat stayed well above the machine's own usual at like duty."""
    reading = derived.discharge_superheat_k
    look = ThresholdTest(
        check,
        reading,
        "K",
        "discharge superheat",
        "refrigerant.discharge_superheat_rise",
        above=True,
        lasting="refrigerant.discharge_superheat_lasting",
        groups=_DISCHARGE,
    )
    look, duties = _at_these_pressures(subject, frame, look)
    return against_own(subject, frame, look, expect(subject, frame, look, duties))


@detector("refrigerant.subcooling_low", running_saturated)
def subcooling_low(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether subcooling (bubble) stayed near zero or well below the machine's own usual."""
    reading = derived.subcooling_k
    return _own_and_limit(
        subject, frame, check, reading, "subcooling (bubble)", groups=_LIQUID, own_limit="subcooling_drop"
    )


@detector("refrigerant.subcooling_high", running_saturated)
def subcooling_high(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether subcooling (bubble) stayed high or well above the machine's own usual."""
    reading = derived.subcooling_k
    return _own_and_limit(
        subject, frame, check, reading, "subcooling (bubble)", groups=_LIQUID, own_limit="subcooling_rise"
    )


@detector("refrigerant.condenser_approach_high", running_saturated)
def condenser_approach_high(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether the condenser's approach rose above its own usual, or above what clean condensers run."""
    reading = derived.condensing_mean_c - frame.values[Role.CONDENSER_WATER_LEAVING]
    groups = (HIGH_SIDE, (Role.CONDENSER_WATER_LEAVING,))
    return _approach(subject, frame, check, reading, groups, Role.CONDENSER_WATER_ENTERING)


@detector("refrigerant.evaporator_approach_high", running_saturated)
def evaporator_approach_high(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether the evaporator's approach rose above its own usual, or above what clean evaporators run."""
    reading = frame.values[Role.CHILLED_WATER_LEAVING] - derived.suction_mean_c
    groups = ((Role.SUCTION_PRESSURE,), (Role.CHILLED_WATER_LEAVING,))
    return _approach(subject, frame, check, reading, groups, Role.CHILLED_WATER_ENTERING)


def _approach(
    subject: Subject,
    frame: AlignedSamples,
    check: str,
    reading: Floats,
    groups: tuple[tuple[Role, ...], ...],
    enters: Role,
) -> Finding:
    """An approach: own usual decides where there is one; a textbook level only where there is none.

    It goes with the heat that passes: with the water's own temperature change, where both of its ends are logged.
    """
    words = "condenser approach" if "condenser" in check else "evaporator approach"
    level = ThresholdTest(
        check,
        reading,
        "K",
        words,
        check,
        above=True,
        lasting="refrigerant.approach_lasting",
        groups=groups,
        sudden=False,
    )
    own = replace(level, limit_name=check.replace("_high", "_rise"))
    entering, leaving = frame.of(enters), frame.values[groups[1][0]]
    duties = duty_of(subject, frame, lift=False)
    if entering is not None and np.isfinite(entering[frame.settled] - leaving[frame.settled]).any():
        duties = ((np.abs(leaving - entering), subject.limits["duty.room_water_change"]),)
    judged = against_own(subject, frame, own, expect(subject, frame, own, duties))
    return own_then_level(judged, against_limit(subject, frame, level), level_excludes=True)


@detector("refrigerant.condensing_high", running_saturated)
def condensing_high(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether condensing temperature climbed above the machine's own usual at like capacity."""
    reading = derived.condensing_dew_c
    own = ThresholdTest(
        check,
        reading,
        "K",
        "condensing temperature",
        "refrigerant.condensing_rise",
        above=True,
        lasting="refrigerant.condensing_lasting",
        groups=(HIGH_SIDE,),
    )
    level = replace(own, unit="degC", limit_name=check)
    usable = frame.settled | (frame.since_s > subject.limits["refrigerant.condensing_lasting"]) & frame.in_failing_run
    short = not np.any(frame.settled & frame.in_failing_run)
    entering = frame.of(Role.CONDENSER_WATER_ENTERING, Role.AMBIENT_TEMPERATURE)
    if entering is not None and not np.isfinite(entering).any():
        entering = None
    duties = (*duty_of(subject, frame, lift=False), (entering, subject.limits["duty.room_water"]))
    return own_then_level(
        against_own(subject, frame, own, expect(subject, frame, own, duties), None if short else usable),
        against_limit(subject, frame, level, usable),
        level_excludes=False,
    )


@detector("refrigerant.suction_low", running_saturated)
def suction_low(subject: Subject, check: str, frame: AlignedSamples, derived: Derived) -> Finding:
    """Decide whether saturated suction fell below the machine's own usual, or below freezing on a water chiller."""
    reading = derived.suction_dew_c
    groups: tuple[tuple[Role, ...], ...] = ((Role.SUCTION_PRESSURE,),)
    own = ThresholdTest(
        check,
        reading,
        "K",
        "saturated suction temperature",
        "refrigerant.suction_drop",
        above=False,
        lasting="refrigerant.suction_lasting",
        groups=groups,
    )
    # water warms or cools the whole evaporator: at equal capacity suction follows the water that leaves
    leaving = frame.of(Role.CHILLED_WATER_LEAVING)
    if leaving is None:
        return cannot_tell(check, "no trusted reading of the water that leaves: suction follows it")
    duties = (*duty_of(subject, frame, lift=False), (leaving, subject.limits["duty.room_lift"]))
    judged = against_own(subject, frame, own, expect(subject, frame, own, duties))
    if np.isfinite(leaving).any() and float(np.nanmedian(leaving)) > subject.limits["refrigerant.brine_below"]:
        freezing = replace(own, unit="degC", limit_name="refrigerant.suction_freezing")
        level = against_limit(subject, frame, freezing)
        inlet = replace(freezing, reading=derived.suction_inlet_c, words="refrigerant entering the evaporator")
        entering = against_limit(subject, frame, inlet)
        if level.outcome is Outcome.PRESENT:
            return level
        judged = own_then_level(judged, level, level_excludes=False)
        if judged.outcome is Outcome.ABSENT and entering.outcome is not Outcome.ABSENT:
            # a blend enters colder than it leaves: how much colder, the pressure drop of the tubes decides
            why = "refrigerant may enter the evaporator below freezing"
            return downgrade(judged, why if entering.outcome is Outcome.PRESENT else entering.why_not)
    return judged
