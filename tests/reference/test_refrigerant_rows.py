"""Rows of area RP on saturation, glide, boiling points, isentropic discharge and superheat.

Every row names its source: handbook and textbook tables (secondary sources, not checked against the original), ANSI/
ASHRAE 34 (from memory), JCGM 100, and CoolProp 8.0.0 where it says "computed".
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from check_values import Row, numbers, spread
from steady import steady

from forensics.errors import InputError
from forensics.machine.duty.baseline import derived_of, frame_of
from forensics.model.vocabulary import Outcome, Role
from forensics.refrigerants.catalogue import (
    SaturationCurve,
    known_refrigerants,
    read_saturation_table,
    saturation_for,
)
from forensics.rules import read_limits
from forensics.signatures.refrigerant.circuit import discharge_superheat_low

Rows = dict[str, Row]


def curve(name: str) -> SaturationCurve:
    found, why_not = saturation_for(name, "", Path())
    assert found is not None, why_not
    return found


def curve_of(row: Row) -> SaturationCurve:
    return curve(row.quantity.split()[0].rstrip(","))


def one(value: float) -> np.ndarray:
    return np.array([value])


@pytest.mark.parametrize("row_id", spread("RP-001 to RP-054", "RP-071 to RP-076"))
def test_pressure_at_a_temperature(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    c, celsius = curve_of(row), one(row.given[0])
    found = c.bubble_pressure_kpa(celsius) if "bubble" in row.quantity else c.dew_pressure_kpa(celsius)
    assert found[0] == row.about()


@pytest.mark.parametrize("row_id", spread("RP-055 to RP-058"))
def test_bubble_and_dew_temperature_at_one_pressure(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    c, kpa = curve_of(row), one(row.given[0])
    bubble, dew = c.bubble_c(kpa)[0], c.dew_c(kpa)[0]
    assert bubble == row.about(0)
    assert dew == row.about(1)
    assert dew - bubble == row.about(2)


@pytest.mark.parametrize("row_id", spread("RP-059 to RP-060"))
def test_glide_of_a_nearly_azeotropic_blend(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    c, kpa = curve_of(row), one(row.given[0])
    glide = c.dew_c(kpa)[0] - c.bubble_c(kpa)[0]
    assert glide == row.about()
    assert glide < 0.2


def test_bubble_pressure_is_never_below_dew_pressure(rows: Rows, tmp_path: Path) -> None:
    """RP-061: in every table that ships, and a given table that breaks the order is refused with its row."""
    assert rows["RP-061"].tolerance == "exact ordering"
    for name in known_refrigerants():
        table = curve(name).table
        assert np.all(table.dew_c - table.bubble_c >= -1e-6), name
    celsius = np.linspace(-40.0, 70.0, 50)
    c = curve("R407C")
    assert np.all(c.bubble_pressure_kpa(celsius) > c.dew_pressure_kpa(celsius))
    lines = ["pressure_kpa,bubble_c,dew_c", "400,-10.0,-4.0", "500,1.0,-0.5", "600,2.0,8.0"]
    (tmp_path / "own.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"own\.csv line 3.*bubble temperature 1 above dew temperature -0\.5"):
        read_saturation_table(tmp_path, "own.csv")


def test_superheat_stands_on_the_dew_line(rows: Rows) -> None:
    """RP-062: on the bubble line the same readings would give twice the superheat."""
    row = rows["RP-062"]
    kpa, celsius = row.given[0], row.given[1]
    subject = steady({Role.SUCTION_PRESSURE: kpa, Role.SUCTION_TEMPERATURE: celsius}, curve("R407C"))
    superheat = derived_of(subject, frame_of(subject)).superheat_k
    assert np.median(superheat) == row.about(0)
    assert celsius - curve("R407C").bubble_c(one(kpa))[0] == row.about(1)


@pytest.mark.parametrize("row_id", spread("RP-063 to RP-070"))
def test_dew_temperature_against_printed_tables(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    kpa = row.given[0] * (100.0 if "bar" in row.inputs else 1.0)
    assert curve_of(row).dew_c(one(kpa))[0] == row.about()


@pytest.mark.parametrize("row_id", spread("RP-077 to RP-083"))
def test_normal_boiling_point(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    c, kpa = curve_of(row), one(row.given[0])
    assert c.bubble_c(kpa)[0] == row.about(0)
    assert c.dew_c(kpa)[0] == row.about(len(row.values) - 1)


def cycle(text: str) -> tuple[float, float, float]:
    """Evaporating and condensing temperature and superheat that a row gives."""
    if "from dew" in text:
        low, above, high = re.findall(r"\d+", text.split("from dew")[1])[:3]
        return float(low), float(high), float(above)
    low, high, above = numbers(text.split(":")[-1])[:3]
    return low, high, above


def isentropic(c: SaturationCurve, low: float, high: float, above: float) -> tuple[float, float]:
    """Pressure ratio and discharge temperature of an isentropic compression, dew point on both sides."""
    p1, p2 = c.dew_pressure_kpa(one(low)), c.dew_pressure_kpa(one(high))
    return float(p2[0] / p1[0]), float(c.isentropic_discharge_c(p1, one(low + above), p2)[0])


@pytest.mark.parametrize(
    "row_id", ["RP-090", "RP-092", "RP-094", "RP-096", "RP-098", "RP-100", "RP-102", "RP-104", "RP-106", "RP-107"]
)
def test_pressure_ratio_and_isentropic_discharge(rows: Rows, row_id: str) -> None:
    """The first two values of the row; discharge at an efficiency and work are computed nowhere in the project."""
    row = rows[row_id]
    ratio, hot = isentropic(curve_of(row), *cycle(row.quantity if "from dew" in row.quantity else row.inputs))
    assert ratio == row.about(0)
    assert hot == row.about(1)


@pytest.mark.parametrize("row_id", ["RP-091", "RP-093", "RP-095", "RP-097", "RP-099", "RP-101", "RP-103", "RP-105"])
def test_isentropic_discharge_superheat(rows: Rows, row_id: str) -> None:
    """The first value of the row, and that no fixed discharge superheat is a limit: 2 K to 73 K are all dry."""
    row = rows[row_id]
    low, high, above = cycle(row.inputs)
    assert isentropic(curve_of(row), low, high, above)[1] - high == row.about()
    assert read_limits()["refrigerant.discharge_saturated"] < row.values[0]


def test_colder_than_isentropic_is_no_proof_of_dry_gas(rows: Rows) -> None:
    """RP-109, second law: below the floor there is liquid or cooling, so that low superheat is not called absent."""
    row = rows["RP-109"]
    floor = curve("R134a").isentropic_discharge_c(one(350.0), one(10.0), one(1017.0))[0]
    assert floor == row.about()
    outcomes = {}
    for hot_c in (floor - 4.0, floor + 12.0):
        readings = {
            Role.SUCTION_PRESSURE: 350.0,
            Role.SUCTION_TEMPERATURE: 10.0,
            Role.DISCHARGE_PRESSURE: 1017.0,
            Role.DISCHARGE_TEMPERATURE: float(hot_c),
        }
        (found,) = discharge_superheat_low(steady(readings, curve("R134a")))
        outcomes[float(hot_c) > floor] = found.outcome
    assert outcomes == {False: Outcome.CANNOT_TELL, True: Outcome.ABSENT}


def slope_kpa_k(c: SaturationCurve, celsius: float, half_k: float = 0.5) -> float:
    low, high = (float(c.dew_pressure_kpa(one(celsius + side))[0]) for side in (-half_k, half_k))
    return (high - low) / (2.0 * half_k)


@pytest.mark.parametrize("row_id", spread("RP-130 to RP-133"))
def test_slope_of_the_saturation_line(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    assert slope_kpa_k(curve_of(row), row.given[0]) == row.about()


def test_superheat_error_by_gum_stays_inside_the_limit_that_allows_for_it(rows: Rows) -> None:
    """RP-134, JCGM 100 clause 5.1.2; the limit below which a superheat is a sensor's fault leaves room for it."""
    row = rows["RP-134"]
    _, u_t, u_p = row.given[-3:]
    error_k = float(np.hypot(u_t, u_p / slope_kpa_k(curve("R134a"), 5.0)))
    assert error_k == row.about()
    assert read_limits()["sensors.below_dew_k"] > 3.0 * error_k


@pytest.mark.parametrize("row_id", spread("RP-084 to RP-087"))
def test_tables_end_well_below_the_critical_point(rows: Rows, row_id: str) -> None:
    """Where both phases come together saturation says nothing; the molar mass is used nowhere in the project."""
    row = rows[row_id]
    celsius, kpa, _ = row.values
    table = curve_of(row).table
    assert 0.8 * kpa < table.pressure_kpa[-1] <= 0.85 * kpa
    assert table.dew_c[-1] < celsius


def test_composition_of_a_blend(rows: Rows) -> None:
    """RP-088, RP-089, ANSI/ASHRAE 34: the library's mixture that R513A's table is made from."""
    pytest.importorskip("CoolProp")
    from CoolProp.CoolProp import AbstractState

    state = AbstractState("HEOS", known_refrigerants()["R513A"].library)
    moles = dict(zip(state.fluid_names(), state.get_mole_fractions(), strict=True))
    mass = dict(zip(state.fluid_names(), state.get_mass_fractions(), strict=True))
    assert "R1234yf/R134a 56/44" in rows["RP-088"].expected
    assert mass == pytest.approx({"R1234yf": 0.56, "R134a": 0.44}, abs=1e-3)
    assert moles["R1234yf"] == rows["RP-089"].about()
