"""Bench and field tests stand by their conditions: temperature, volts, refrigerant, part, place, course."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from forensics.case.schema import Measurement
from forensics.errors import InputError
from forensics.hypotheses import weigh
from forensics.hypotheses.inspection_evidence import Remark
from forensics.hypotheses.measurements import corrected, measured, read_measurements

from .made import evidence

LATER = datetime(2030, 3, 20, 9, 0)
UNITS = {kind: rule.unit for kind, rule in read_measurements().items()}


def taken(kind: str, value: float, **more: Any) -> Measurement:
    told: dict[str, Any] = {"time": LATER, "by": "x", "unit": UNITS.get(kind, "")} | more
    return Measurement(kind=kind, value=value, **told)


def remarks(*values: Measurement) -> dict[str, Remark]:
    return {remark.mode: remark for remark in measured(evidence(measurements=values))}


def test_insulation_is_brought_to_forty_degrees_before_it_is_held_against_its_limit() -> None:
    """IEEE 43-2000, equation 2 (from memory): it halves with each 10 K, so 20 Mohm at 10 degC are 2.5 at 40."""
    rule = read_measurements()["insulation_resistance"]
    assert corrected(taken("insulation_resistance", 20.0, temperature_c=10.0), rule) == pytest.approx(2.5)
    assert corrected(taken("insulation_resistance", 2.0, temperature_c=70.0), rule) == pytest.approx(16.0)
    assert corrected(taken("insulation_resistance", 2.0), rule) == pytest.approx(2.0)
    cold = taken("insulation_resistance", 20.0, temperature_c=10.0, test_volts=500.0, state="recovered")
    assert remarks(cold)["insulation-failure"].supports
    hot = taken("insulation_resistance", 2.0, temperature_c=70.0, test_volts=500.0, state="recovered")
    assert not remarks(hot)["insulation-failure"].supports


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"temperature_c": 40.0, "test_volts": 500.0, "state": "recovered"}, "moderate"),
        ({"temperature_c": 40.0, "test_volts": 500.0, "state": "charged"}, "weak"),
        ({"test_volts": 500.0, "state": "recovered"}, "weak"),
    ],
)
def test_a_low_insulation_value_fits_a_winding_fault_by_its_conditions_and_never_shows_it(
    more: dict[str, Any], word: str
) -> None:
    remark = remarks(taken("insulation_resistance", 3.0, **more))["insulation-failure"]
    assert (remark.supports, remark.weight, remark.shows_cause) == (True, word, False)


def test_only_a_dead_short_shows_a_winding_fault_and_only_with_part_author_and_instrument() -> None:
    whole = {"part": "winding to ground", "instrument": "tester"}
    assert remarks(taken("insulation_resistance", 0.02, **whole))["insulation-failure"].shows_cause
    bare = remarks(taken("insulation_resistance", 0.02))["insulation-failure"]
    assert not bare.shows_cause
    assert "part" in bare.not_shown
    assert (bare.weight, bare.firm) == ("strong", True)


def test_a_good_value_with_few_volts_says_little() -> None:
    few = taken("insulation_resistance", 900.0, temperature_c=40.0, test_volts=50.0)
    assert remarks(few)["insulation-failure"].weight == "weak"


def test_a_coil_speaks_for_the_valve_it_belongs_to() -> None:
    open_ohm = 2e6
    told = remarks(taken("coil_resistance", open_ohm, part="Unload solenoid", instrument="meter"))
    assert set(told) == {"unload-path-failed"}
    assert told["unload-path-failed"].shows_cause
    sound = remarks(taken("coil_resistance", 400.0, part="Unload solenoid"))["unload-path-failed"]
    assert (sound.supports, sound.shows_cause) == (False, False)
    assert remarks(taken("coil_resistance", open_ohm)) == {}
    with pytest.raises(InputError, match="unload solenoid"):
        measured(evidence(measurements=(taken("coil_resistance", open_ohm, part="unlod solenoid"),)))


def test_one_oil_value_is_weak_and_a_course_that_rises_is_not() -> None:
    old, new = datetime(2029, 3, 1, 9, 0), LATER
    assert remarks(taken("oil_iron", 150.0, place="sump"))["bearing-or-rotor-damage"].weight == "weak"
    course = (taken("oil_iron", 20.0, place="sump", time=old), taken("oil_iron", 150.0, place="sump", time=new))
    assert remarks(*course)["bearing-or-rotor-damage"].weight == "moderate"
    elsewhere = (taken("oil_iron", 20.0, place="separator", time=old), course[1])
    assert remarks(*elsewhere)["bearing-or-rotor-damage"].weight == "weak"


def test_acid_after_a_burn_out_is_never_a_cause() -> None:
    for remark in remarks(taken("oil_acid_number", 0.9)).values():
        assert (remark.weight, remark.firm, remark.shows_cause) == ("weak", False, False)


@pytest.mark.parametrize("kind", ["oil_coler", "insulation", "oil_colour"])
def test_an_unknown_kind_is_a_problem_that_names_the_known_ones(kind: str) -> None:
    with pytest.raises(InputError) as caught:
        weigh(evidence(measurements=(taken(kind, 1.0), taken("oil_iron", 1.0, unit="mg"))))
    assert "insulation_resistance" in str(caught.value)
    assert "read in ppm" in str(caught.value)


def test_every_kind_that_the_contract_names_has_a_rule() -> None:
    named = [
        "insulation_resistance",
        "winding_resistance",
        "oil_acid_number",
        "oil_moisture",
        "oil_viscosity",
        "oil_iron",
    ]
    assert set(named) <= set(read_measurements())
