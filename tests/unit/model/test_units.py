"""Units at the door, against published factors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forensics.model.units import (
    Datum,
    air_pressure_at_kpa,
    fits,
    needs_datum,
    read_unit,
    to_canonical,
)
from forensics.model.vocabulary import Role


def _one(value: float, unit: str, role: Role, air_kpa: float | None = 101.325, rated: float | None = 100.0) -> float:
    read = read_unit(unit)
    assert read is not None, unit
    return float(to_canonical(np.array([value]), read, role, air_pressure_kpa=air_kpa, rated_amps=rated)[0])


# NIST SP 811 (2008) appendix B.8: psi 6.894757 kPa, inHg (0 degC) 3.386389 kPa, kgf/cm2 98.0665 kPa, hp 745.6999 W
@pytest.mark.parametrize(
    ("value", "unit", "role", "expected"),
    [
        (100.0, "psia", Role.SUCTION_PRESSURE, 689.4757),
        (100.0, "psig", Role.SUCTION_PRESSURE, 790.8007),
        (100.0, "PSI(g)", Role.SUCTION_PRESSURE, 790.8007),
        (5.0, "barg", Role.OIL_PRESSURE, 601.325),
        (5.0, "bara", Role.OIL_PRESSURE, 500.0),
        (2.0, "kgf/cm2a", Role.OIL_PRESSURE, 196.133),
        (10.0, "inHga", Role.SUCTION_PRESSURE, 33.86389),
        (1.2, "MPag", Role.DISCHARGE_PRESSURE, 1301.325),
        (300.0, "kPa abs", Role.DISCHARGE_PRESSURE, 300.0),
        (30.0, "psi", Role.OIL_PRESSURE_DIFFERENCE, 206.84271),
        (212.0, "degF", Role.OIL_TEMPERATURE, 100.0),
        (300.0, "K", Role.OIL_TEMPERATURE, 26.85),
        (40.0, "%RLA", Role.MOTOR_AMPS, 40.0),
        (0.46, "kV", Role.VOLTS_AB, 460.0),
        (100.0, "hp", Role.MOTOR_POWER, 74.56999),
        (0.2, "in/s", Role.VIBRATION_VELOCITY, 5.08),
        (90.0, "min", Role.RUN_HOURS, 1.5),
    ],
)
def test_published_factors(value: float, unit: str, role: Role, expected: float) -> None:
    assert _one(value, unit, role) == pytest.approx(expected, rel=1e-6)


def test_standard_atmosphere() -> None:
    """ISO 2533:1975 table values at 0, 1000 and 2000 m: 101.325, 89.876 and 79.501 kPa (from memory)."""
    assert air_pressure_at_kpa(0.0) == pytest.approx(101.325)
    assert air_pressure_at_kpa(1000.0) == pytest.approx(89.876, abs=0.02)
    assert air_pressure_at_kpa(2000.0) == pytest.approx(79.501, abs=0.03)


def test_gauge_or_absolute_is_asked_for() -> None:
    psi = read_unit("psi")
    assert psi is not None
    assert psi.datum is Datum.UNSTATED
    assert needs_datum(psi, Role.SUCTION_PRESSURE)
    assert not needs_datum(psi, Role.OIL_PRESSURE_DIFFERENCE)
    with pytest.raises(ValueError, match="gauge or absolute"):
        to_canonical(np.array([1.0]), psi, Role.SUCTION_PRESSURE)


def test_gauge_needs_the_air_pressure() -> None:
    psig = read_unit("psig")
    assert psig is not None
    with pytest.raises(ValueError, match="altitude_m"):
        to_canonical(np.array([1.0]), psig, Role.SUCTION_PRESSURE)


@pytest.mark.parametrize("text", ["furlong", "", "psix", "bar°", "deg"])
def test_odd_units_are_not_known(text: str) -> None:
    assert read_unit(text) is None


def test_a_unit_of_another_dimension_does_not_fit() -> None:
    unit = read_unit("degC")
    assert unit is not None
    assert not fits(unit, Role.MOTOR_AMPS)


@given(st.floats(-50, 400), st.sampled_from([("psig", 6.894757293168361), ("barg", 100.0), ("kPag", 1.0)]))
def test_round_trip(value: float, unit: tuple[str, float]) -> None:
    there = _one(value, unit[0], Role.DISCHARGE_PRESSURE, air_kpa=99.0)
    assert (there - 99.0) / unit[1] == pytest.approx(value, abs=1e-9)
