"""Saturation and isentropic discharge against handbook tables, ASHRAE 34 and the property library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forensics.refrigerants.catalogue import SaturationCurve, known_refrigerants, saturation_for
from forensics.signatures.oil.filter import walther_cst


def curve(name: str) -> SaturationCurve:
    found, why_not = saturation_for(name, "", Path())
    assert found is not None, why_not
    return found


def one(value: float) -> np.ndarray:
    return np.array([value])


# Mechanical Engineers' Handbook vol. 4 table 14 (secondary source) and a textbook table: R134a, kPa abs, degC
R134A_TABLE = [(500, 15.68), (600, 21.54), (800, 31.35), (1000, 39.41), (1200, 46.36), (140, -18.80), (200, -10.09)]
# engineering table of the older formulation (secondary source): R717, degC, kPa abs
R717_TABLE = [(-20, 190.2), (0, 429.6), (20, 857.5), (40, 1554.9)]
# ASHRAE 34 normal boiling points, degC, bubble and dew (from memory). The listed points of blends come from older
# formulations, up to half a kelvin from those of today's equations.
BOILING = [
    ("R134a", -26.1, -26.1),
    ("R22", -40.8, -40.8),
    ("R717", -33.3, -33.3),
    ("R1234ze(E)", -19.0, -19.0),
    ("R410A", -51.6, -51.5),
    ("R407C", -43.8, -36.7),
    ("R513A", -29.2, -29.1),
    ("R1234yf", -29.4, -29.4),
    ("R32", -51.7, -51.7),
    ("R123", 27.8, 27.8),
    ("R404A", -46.6, -45.8),
    ("R507A", -47.1, -47.1),
    ("R245fa", 15.1, 15.1),
    ("R290", -42.1, -42.1),
    ("R12", -29.8, -29.8),
    ("R1233zd(E)", 18.3, 18.3),
    ("R407A", -45.3, -38.9),
    ("R450A", -23.4, -22.8),
    ("R454B", -50.9, -50.0),
    ("R124", -12.0, -12.0),
]


@pytest.mark.parametrize(("kpa", "expected"), R134A_TABLE)
def test_r134a_against_handbook_tables(kpa: float, expected: float) -> None:
    assert curve("R134a").dew_c(one(kpa))[0] == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize(("celsius", "expected"), R717_TABLE)
def test_r717_against_an_older_table(celsius: float, expected: float) -> None:
    assert curve("R717").dew_pressure_kpa(one(celsius))[0] == pytest.approx(expected, rel=1.5e-3)


@pytest.mark.parametrize(("name", "bubble", "dew"), BOILING)
def test_normal_boiling_points(name: str, bubble: float, dew: float) -> None:
    room_k = 0.3 if bubble == dew and name != "R507A" else 0.5
    assert curve(name).bubble_c(one(101.325))[0] == pytest.approx(bubble, abs=room_k)
    assert curve(name).dew_c(one(101.325))[0] == pytest.approx(dew, abs=room_k)


def test_every_shipped_refrigerant_has_its_boiling_point_checked() -> None:
    assert {name for name, _, _ in BOILING} == set(known_refrigerants())


@pytest.mark.parametrize("name", sorted(known_refrigerants()))
def test_tables_within_a_hundredth_of_a_kelvin_of_the_library(name: str) -> None:
    """Computed here with the installed CoolProp, at points between the rows of the shipped table."""
    pytest.importorskip("CoolProp")
    from CoolProp.CoolProp import PropsSI

    fluid, shipped = known_refrigerants()[name].library, curve(name)
    rng = np.random.default_rng(7)
    for kpa in np.exp(rng.uniform(*np.log(shipped.table.pressure_kpa[[0, -1]]), 12)):
        assert shipped.dew_c(one(kpa))[0] == pytest.approx(
            PropsSI("T", "P", kpa * 1e3, "Q", 1, fluid) - 273.15, abs=0.01
        )
        bubble = PropsSI("T", "P", kpa * 1e3, "Q", 0, fluid) - 273.15
        assert shipped.bubble_c(one(kpa))[0] == pytest.approx(bubble, abs=0.01)
    for low, high, above in zip(
        rng.uniform(-5.0, 12.0, 6), rng.uniform(28.0, 50.0, 6), rng.uniform(0.5, 25.0, 6), strict=True
    ):
        p1, p2 = (PropsSI("P", "T", t + 273.15, "Q", 1, fluid) for t in (low, high))
        entropy = PropsSI("S", "T", low + above + 273.15, "P", p1, fluid)
        expected = PropsSI("T", "S", entropy, "P", p2, fluid) - 273.15
        found = shipped.isentropic_discharge_c(one(p1 / 1e3), one(low + above), one(p2 / 1e3))[0]
        assert found == pytest.approx(expected, abs=0.01)


# computed with CoolProp 8.0.0: evaporating, condensing, superheat -> isentropic discharge and its superheat, degC and K
ISENTROPIC = [
    ("R134a", 5.0, 40.0, 48.46, 8.46),
    ("R134a", 0.0, 50.0, 59.89, 9.89),
    ("R22", 5.0, 40.0, 60.39, 20.39),
    ("R1234ze(E)", 5.0, 40.0, 43.03, 3.03),
    ("R717", 5.0, 40.0, 90.77, 50.77),
    ("R410A", 5.0, 40.0, 59.86, 19.86),
    ("R407C", 5.0, 40.0, 54.77, 14.77),
]


@pytest.mark.parametrize(("name", "low", "high", "hot", "above"), ISENTROPIC)
def test_isentropic_discharge(name: str, low: float, high: float, hot: float, above: float) -> None:
    c = curve(name)
    p1, p2 = c.dew_pressure_kpa(one(low)), c.dew_pressure_kpa(one(high))
    found = c.isentropic_discharge_c(p1, one(low + 5.0), p2)
    assert found[0] == pytest.approx(hot, abs=0.3)
    assert found[0] - c.dew_c(p2)[0] == pytest.approx(above, abs=0.3)


# ASTM D341, worked values (computed): two known points, mm2/s -> viscosity at a third temperature
D341 = [
    ((40.0, 32.0), (100.0, 5.4), 80.0, 8.53),
    ((40.0, 68.0), (100.0, 8.7), 60.0, 28.659),
    ((40.0, 68.0), (100.0, 8.7), 90.0, 11.153),
    ((40.0, 170.0), (100.0, 17.0), 70.0, 43.759),
    ((40.0, 220.0), (100.0, 19.0), 20.0, 852.075),
]


@pytest.mark.parametrize(("low", "high", "at", "expected"), D341)
def test_viscosity_by_astm_d341(
    low: tuple[float, float], high: tuple[float, float], at: float, expected: float
) -> None:
    assert walther_cst(one(at), low, high)[0] == pytest.approx(expected, rel=5e-3)
