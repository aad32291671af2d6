"""Bench and field tests as evidence, by the conditions they were made under (``rules/measurements.toml``).

An insulation value is brought to 40 °C before it is held against its limit, and fits a winding fault; it shows one
only as a dead short. A coil speaks for the valve it belongs to. Oil speaks by place and by its course over several
samples. What usually follows a burn-out never says what began.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from typing import Literal

from pydantic import Field, RootModel, model_validator

from forensics.case.schema import Measurement
from forensics.errors import InputError, Problem
from forensics.hypotheses.evidence import Evidence
from forensics.hypotheses.inspection_evidence import Remark
from forensics.model.vocabulary import Mode
from forensics.rules import FOLDER
from forensics.rules.strict import Form, read_form, refused

REFERENCE_C = 40.0
LEAST_FOR_SLOPE = 2


class MeasurementRule(Form):
    """One table of ``rules/measurements.toml``: the limit of a bench or field test, and which modes it speaks for.

    Attributes
    ----------
    limit, side
        Beyond it the value speaks for ``favours``; None where one value alone says nothing.
    shows_limit, shows
        Beyond it the value shows the cause itself of these modes.
    halves_every_k
        The value halves with each so many kelvin of temperature: it is brought to 40 °C.
    least_test_volts
        Below it, or where the volts are not told, a good value says little.
    parts
        Modes by the part that was measured; the part must then be told.
    by_course
        Whether one value alone is weak, and only several of one place that rise speak fully.
    """

    unit: str = Field(min_length=1)
    limit: float | None = None
    side: Literal["above", "below"] = "above"
    shows_limit: float | None = None
    shows: tuple[Mode, ...] = ()
    favours: tuple[Mode, ...] = ()
    consequence: tuple[Mode, ...] = ()
    halves_every_k: float | None = Field(default=None, gt=0)
    least_test_volts: float | None = Field(default=None, gt=0)
    wet_reads_lower: bool = False
    parts: Mapping[str, tuple[Mode, ...]] = {}
    by_course: bool = False
    basis: str = Field(min_length=1)

    @model_validator(mode="after")
    def _says(self) -> MeasurementRule:
        if (self.shows or self.parts) and self.shows_limit is None:
            raise ValueError("what shows a cause needs shows_limit")
        if self.favours and self.limit is None:
            raise ValueError("what favours a mode needs a limit")
        return self

    def beyond(self, value: float, limit: float | None) -> bool:
        """Whether a value lies on the bad side of a limit."""
        if limit is None:
            return False
        return value < limit if self.side == "below" else value > limit


class _MeasurementFile(RootModel[dict[str, MeasurementRule]]):
    pass


@cache
def read_measurements() -> Mapping[str, MeasurementRule]:
    """Rules of the bench and field tests by kind (``rules/measurements.toml``)."""
    return read_form(_MeasurementFile, FOLDER / "measurements.toml").root


def measured(evidence: Evidence) -> tuple[Remark, ...]:
    """Every measurement of the case as it bears on the modes.

    Raises
    ------
    InputError
        A kind that the rules don't know, another unit than theirs, or a part that they don't know: all at once.
    """
    rules = read_measurements()
    problems = [p for n, one in enumerate(evidence.measurements, 1) if (p := _fault(n, one, rules)) is not None]
    if problems:
        raise InputError(problems)
    return tuple(
        remark
        for number, one in enumerate(evidence.measurements, 1)
        for remark in _remarks(f"measurement {number}", one, evidence)
    )


def _fault(number: int, one: Measurement, rules: Mapping[str, MeasurementRule]) -> Problem | None:
    column = f"measurement {number}"
    rule = rules.get(one.kind)
    if rule is None:
        words = refused(one.kind, rules, "kind of measurement")
        return Problem(
            words, file="case.toml", column=column, remedy="Take a known kind, or tell it as an observation."
        )
    if one.unit and one.unit.casefold() != rule.unit.casefold():
        words = f"'{one.kind}' is read in {rule.unit}, not in '{one.unit}'"
        return Problem(words, file="case.toml", column=column, remedy="Give the value in that unit.")
    if rule.parts and one.part and one.part.casefold() not in rule.parts:
        words = refused(one.part, rule.parts, f"part of '{one.kind}'")
        return Problem(words, file="case.toml", column=column, remedy="Name the part that was measured.")
    return None


def _remarks(name: str, one: Measurement, evidence: Evidence) -> list[Remark]:
    rule = read_measurements()[one.kind]
    value, weak = corrected(one, rule), _weak_because(one, rule, evidence)
    shows = rule.beyond(value, rule.shows_limit)
    beyond = shows or rule.beyond(value, rule.limit)
    spoken_for = (
        rule.parts.get(one.part.casefold(), ()) if rule.parts else tuple(dict.fromkeys((*rule.shows, *rule.favours)))
    )
    missing = _missing(name, one) if shows else ""
    found = []
    for mode in spoken_for:
        shown = shows and (mode in rule.shows or bool(rule.parts))
        if not beyond and mode not in rule.shows and not rule.parts:
            continue
        weight = "strong" if shown else "weak" if weak else "moderate"
        basis = f"{rule.basis}; {weak}" if weak and not shown else rule.basis
        firm = shown or not weak
        found.append(
            Remark(
                id=name,
                mode=mode,
                supports=beyond,
                weight=weight,
                firm=firm,
                shows_cause=shown and not missing,
                basis=basis,
                not_shown=missing if shown else "",
            )
        )
    if beyond:
        after = f"{rule.basis}; an after-effect never says what began"
        found += [
            Remark(id=name, mode=mode, supports=True, weight="weak", firm=False, shows_cause=False, basis=after)
            for mode in rule.consequence
        ]
    return [remark for remark in found if remark.mode in evidence.modes.by_id]


def corrected(one: Measurement, rule: MeasurementRule) -> float:
    """The value brought to 40 °C where its rule halves it with temperature and the temperature is told, its unit kept.

    IEEE 43-2000 equation 2 (from memory): R40 = R * 0.5 ** ((40 - t) / 10), the rule for windings of any age.
    """
    if rule.halves_every_k is None or one.temperature_c is None:
        return one.value
    return one.value * math.pow(0.5, ((REFERENCE_C - one.temperature_c) / rule.halves_every_k))


def _weak_because(one: Measurement, rule: MeasurementRule, evidence: Evidence) -> str:
    """Why a value says less than its limit promises: the condition that is missing or speaks against it."""
    if rule.halves_every_k is not None and one.temperature_c is None:
        return "temperature not told, so not brought to 40 °C"
    bad = rule.beyond(corrected(one, rule), rule.limit)
    if rule.wet_reads_lower and bad and one.state != "recovered":
        return "measured with refrigerant in the motor, or not told: wet windings read lower"
    if rule.least_test_volts is not None and not bad and (one.test_volts or 0.0) < rule.least_test_volts:
        return f"test volts not told or below {rule.least_test_volts:g} V: a weak spot may not show"
    if rule.by_course and not _rises(one, evidence):
        return "one value; several of one place that rise say more"
    if rule.consequence == () and rule.by_course is False and one.taken == "after" and one.kind.startswith("oil_"):
        return "taken after the failure, when the circuit may have been opened"
    return ""


def _rises(one: Measurement, evidence: Evidence) -> bool:
    """Whether the measurements of this kind and place rise from the first to the last that is told with its time."""
    course = [
        (other.time, other.value)
        for other in evidence.measurements
        if other.kind == one.kind and other.place == one.place and other.time is not None
    ]
    if len(course) < LEAST_FOR_SLOPE:
        return False
    ordered = sorted(course, key=lambda sample: sample[0].isoformat())
    first, last = ordered[0][1], ordered[-1][1]
    return math.isfinite(last) and last > first


def _missing(name: str, one: Measurement) -> str:
    asked = {
        "part": one.part,
        "by": one.by or one.lab,
        "time": one.time is not None,
        "instrument or document": one.instrument or one.document,
    }
    wanting = [key for key, given in asked.items() if not given]
    return f"{name} shows the cause, but confirms only with {', '.join(wanting)}" if wanting else ""
