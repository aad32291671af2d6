"""Units, air pressure and gauge readings: rows of area RP and, of area PN, codes of units and what a pressure must say.

Sources: NIST SP 811 factors (from memory, recomputed from exact definitions), ISO 2533:1975 (formula), UCUM (from
memory) and UN/CEFACT code lists; each row names its own.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from check_values import Row, spread

from forensics.case.schema import Machine
from forensics.model.units import Datum, air_pressure_at_kpa, needs_datum, read_unit, to_canonical
from forensics.model.vocabulary import Dimension, Role
from forensics.refrigerants.catalogue import saturation_for
from forensics.report.words.units import shown_unit

Rows = dict[str, Row]


@pytest.mark.parametrize("row_id", spread("RP-115 to RP-120"))
def test_air_pressure_of_the_standard_atmosphere(rows: Rows, row_id: str) -> None:
    """The first value of the row; the temperature of the air is computed nowhere in the project."""
    row = rows[row_id]
    assert 1000.0 * air_pressure_at_kpa(row.given[0]) == row.about(0)


def test_a_gauge_reading_stands_on_the_air_of_its_site(rows: Rows) -> None:
    """RP-121: pressure, saturation temperature, and what a site taken for sea level would add."""
    row = rows["RP-121"]
    gauge, altitude_m = row.given
    unit = read_unit("kPag")
    assert unit is not None
    absolute = {
        height: to_canonical(
            np.array([gauge]),
            unit,
            Role.SUCTION_PRESSURE,
            air_pressure_kpa=Machine(refrigerant="R134a", altitude_m=height).air_kpa,
        )
        for height in (altitude_m, 0.0)
    }
    curve, why_not = saturation_for("R134a", "", Path())
    assert curve is not None, why_not
    assert absolute[altitude_m][0] == row.about(0)
    dew = {height: float(curve.dew_c(kpa)[0]) for height, kpa in absolute.items()}
    assert dew[altitude_m] == row.about(1)
    # the sign of the printed error is that of the wrong reading against the right one
    assert dew[0.0] - dew[altitude_m] == row.about(2)


FACTORS = {
    "RP-122": ("psia", Role.SUCTION_PRESSURE, 1.0),
    "RP-123": ("inHg(a)", Role.SUCTION_PRESSURE, 1.0),
    "RP-125": ("hp", Role.MOTOR_POWER, 1000.0),
    "RP-126": ("kgf/cm2(a)", Role.SUCTION_PRESSURE, 1.0),
    "RP-127": ("bar abs", Role.SUCTION_PRESSURE, 1.0),
}


@pytest.mark.parametrize("row_id", list(FACTORS))
def test_factor_of_a_unit(rows: Rows, row_id: str) -> None:
    text, role, scale = FACTORS[row_id]
    unit = read_unit(text)
    assert unit is not None
    assert scale * to_canonical(np.array([1.0]), unit, role)[0] == pytest.approx(rows[row_id].values[0], rel=1e-6)


def test_a_difference_of_temperatures_has_no_offset(rows: Rows) -> None:
    """RP-129, a definition: 10 degF of superheat are 5.5556 K; a temperature of 10 degF is another thing."""
    row = rows["RP-129"]
    shown = shown_unit("K", "inch-pound")
    assert shown.array(np.array([row.values[0]]))[0] == pytest.approx(10.0, abs=1e-3)
    assert shown.text != shown_unit("degC", "inch-pound").text
    fahrenheit = read_unit("degF")
    assert fahrenheit is not None
    assert to_canonical(np.array([10.0]), fahrenheit, Role.OIL_TEMPERATURE)[0] == pytest.approx(-12.2222, abs=1e-3)


# the code that UCUM gives the unit, where exports print the same sign
CODES = {
    "PN-060": ("K", Dimension.TEMPERATURE, (1.0, -273.15)),
    "PN-061": ("kPa", Dimension.PRESSURE, (1.0, 0.0)),
    "PN-062": ("bar", Dimension.PRESSURE, (100.0, 0.0)),
    "PN-065": ("A", Dimension.CURRENT, (1.0, 0.0)),
    "PN-066": ("V", Dimension.VOLTAGE, (1.0, 0.0)),
    "PN-067": ("kW", Dimension.POWER, (1.0, 0.0)),
    "PN-068": ("Hz", Dimension.FREQUENCY, (1.0, 0.0)),
    "PN-069": ("%", Dimension.FRACTION, (1.0, 0.0)),
    "PN-071": ("s", Dimension.DURATION, (1.0 / 3600.0, 0.0)),
    "PN-072": ("min", Dimension.DURATION, (1.0 / 60.0, 0.0)),
    "PN-073": ("h", Dimension.DURATION, (1.0, 0.0)),
    "PN-074": ("Pa", Dimension.PRESSURE, (0.001, 0.0)),
}


@pytest.mark.parametrize("row_id", list(CODES))
def test_a_ucum_code_is_read_as_its_unit(rows: Rows, row_id: str) -> None:
    code, dimension, factors = CODES[row_id]
    assert rows[row_id].expected.split(";")[0] == code
    unit = read_unit(code)
    assert unit is not None
    assert unit.dimension is dimension
    assert (unit.factor, unit.offset) == pytest.approx(factors)


def test_a_pressure_must_say_gauge_or_absolute(rows: Rows) -> None:
    """PN-075, a definition: the codes of units do not say it, so it is asked for and never assumed."""
    assert rows["PN-075"].expected == "explicit field"
    for code in ("kPa", "bar", "Pa", "psi"):
        unit = read_unit(code)
        assert unit is not None
        assert unit.datum is Datum.UNSTATED
        assert needs_datum(unit, Role.SUCTION_PRESSURE)
        assert not needs_datum(unit, Role.OIL_PRESSURE_DIFFERENCE)
        with pytest.raises(ValueError, match="gauge or absolute"):
            to_canonical(np.array([1.0]), unit, Role.SUCTION_PRESSURE, air_pressure_kpa=101.325)
    for code, datum in (("kPag", Datum.GAUGE), ("psia", Datum.ABSOLUTE), ("bar(g)", Datum.GAUGE)):
        unit = read_unit(code)
        assert unit is not None
        assert unit.datum is datum
