"""Names of refrigerants, tables that a case gives, and what is said where there is no data."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from forensics.errors import InputError
from forensics.refrigerants.catalogue import (
    SaturationCurve,
    find_refrigerant,
    known_refrigerants,
    read_saturation_table,
    saturation_for,
)


def curve(name: str) -> SaturationCurve:
    found, why_not = saturation_for(name, "", Path())
    assert found is not None, why_not
    return found


@pytest.mark.parametrize("text", ["r134a", "R-134a", "R 134 A", "HFC-134a", "134a", "R134A"])
def test_spellings_of_one_fluid(text: str) -> None:
    found = find_refrigerant(text)
    assert found is not None
    assert found.name == "R134a"


@pytest.mark.parametrize("text", ["R134", "R13", "R134b", "R1340a", "", "R", "water"])
def test_a_like_name_is_never_taken(text: str) -> None:
    assert find_refrigerant(text) is None


@pytest.mark.parametrize("text", ["R134", "R13", "R514A", "R502", "unknown", "R1234"])
def test_what_the_library_lacks_is_said_with_what_to_do(text: str) -> None:
    found, why_not = saturation_for(text, "", Path())
    assert found is None
    assert f"'{text}'" in why_not
    assert "no dew/bubble data" in why_not
    assert "Superheat and subcooling are left out" in why_not
    assert "table of pressure, bubble and dew temperature" in why_not
    assert "R134a, R22, R407C, R404A, R410A" in why_not


def test_without_the_library_the_shipped_tables_serve_and_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    from importlib import metadata

    from forensics.refrigerants import catalogue

    def missing(name: str) -> str:
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(metadata, "version", missing)
    catalogue._from_library.cache_clear()
    found, why_not = saturation_for("R152a", "", Path())
    catalogue._from_library.cache_clear()
    assert found is None
    assert "screw-forensics[refrigerants]" in why_not
    assert all(saturation_for(name, "", Path())[0] is not None for name in known_refrigerants())


def test_a_pure_fluid_without_a_shipped_table_is_computed() -> None:
    pytest.importorskip("CoolProp")
    assert find_refrigerant("R152a") is None
    found, _ = saturation_for("r-152a", "", Path())
    assert found is not None
    assert "CoolProp" in found.origin


@pytest.mark.parametrize("name", sorted(known_refrigerants()))
def test_every_shipped_table_is_sound(name: str) -> None:
    one = curve(name)
    table = one.table
    assert np.all(np.diff(table.pressure_kpa) > 0)
    assert np.all(np.diff(table.dew_c) > 0)
    assert np.all(np.diff(table.bubble_c) > 0)
    assert np.all(table.bubble_c <= table.dew_c + 1e-4)
    assert np.all(np.diff(table.entropy, axis=1) > 0)
    middle = table.pressure_kpa[[10, 40, 70]] * 1.01
    assert one.dew_pressure_kpa(one.dew_c(middle)) == pytest.approx(middle, rel=1e-4)
    assert one.bubble_pressure_kpa(one.bubble_c(middle)) == pytest.approx(middle, rel=1e-4)


def test_outside_the_table_there_is_no_number() -> None:
    p = np.array([np.nan, -5.0, 0.0, 0.1, 1e6])
    assert np.isnan(curve("R134a").dew_c(p)).all()
    assert np.isnan(curve("R134a").isentropic_discharge_c(p, np.full(5, 10.0), np.full(5, 900.0))).all()


def test_a_report_needs_no_property_library() -> None:
    code = (
        "import sys, pathlib, numpy as np;"
        "from forensics.refrigerants.catalogue import saturation_for;"
        "c, _ = saturation_for('R407C', '', pathlib.Path());"
        "c.isentropic_discharge_c(np.array([500.0]), np.array([8.0]), np.array([1800.0]));"
        "sys.exit('CoolProp' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def write(folder: Path, text: str) -> str:
    (folder / "table.csv").write_text(text, encoding="utf-8")
    return "table.csv"


def test_a_table_of_the_case_is_used(tmp_path: Path) -> None:
    one = curve("R407C")
    p = np.linspace(300.0, 2400.0, 30)
    rows = [f"{a:.3f},{b:.3f},{c:.3f}" for a, b, c in zip(p, one.bubble_c(p), one.dew_c(p), strict=True)]
    name = write(tmp_path, "\n".join(["pressure_kpa,bubble_c,dew_c", *rows]))
    given, why_not = saturation_for("R999", name, tmp_path)
    assert given is not None
    assert why_not == ""
    between = np.array([333.0, 777.0, 1850.0])
    assert given.dew_c(between) == pytest.approx(one.dew_c(between), abs=0.1)
    assert given.bubble_c(between) == pytest.approx(one.bubble_c(between), abs=0.1)
    assert np.isnan(given.isentropic_discharge_c(between, between, between)).all()
    assert given.glide_matters


def test_units_of_a_table_are_read_from_its_header(tmp_path: Path) -> None:
    name = write(tmp_path, "pressure (psia),bubble (degF),dew (degF)\n30,15.4,15.4\n45,35,35\n60,50,50\n")
    given = read_saturation_table(tmp_path, name)
    assert given.dew_c(np.array([45.0 * 6.894757]))[0] == pytest.approx((35.0 - 32.0) / 1.8, abs=0.01)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("pressure_kpa,bubble_c,dew_c\n500,2.4,-3.9\n600,7,1\n700,11,5\n", ["line 2", "line 3", "line 4", "exchanged"]),
        ("pressure_kpa,bubble_c,dew_c\n500,1,2\n400,2,3\n600,x,5\n", ["line 4", "not a number"]),
        ("pressure_kpa,bubble_c,dew_c\n500,1,2\n400,2,3\n600,4,5\n", ["line 3", "does not rise"]),
        ("pressure (psig),bubble_c,dew_c\n500,1,2\n600,2,3\n700,4,5\n", ["psig", "absolute"]),
        ("pressure (psi),bubble_c,dew_c\n500,1,2\n600,2,3\n700,4,5\n", ["psi", "absolute"]),
        ("p,bubble_c\n500,1\n", ["no column 'pressure'", "no column 'dew'"]),
        ("pressure_kpa,bubble_c,dew_c\n500,1,2\n", ["needs 3 rows"]),
        ("", ["no column 'pressure'"]),
    ],
)
def test_faults_of_a_table_are_all_said(tmp_path: Path, text: str, wanted: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        read_saturation_table(tmp_path, write(tmp_path, text))
    said = str(caught.value)
    assert "table.csv" in said
    assert all(word in said for word in wanted), said


def test_a_table_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is not there"):
        read_saturation_table(tmp_path, "none.csv")


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def test_gauge_read_as_absolute_would_hide_wet_suction() -> None:
    """30 psi as absolute, as gauge at sea level and at 1600 m (values by a library and a separate equation)."""
    kpa = np.array([30.0 * 6.894757, 30.0 * 6.894757 + 101.325, 30.0 * 6.894757 + 83.5])
    dew = curve("R134a").dew_c(kpa)
    assert dew == pytest.approx([-9.22, 1.42, -0.23], abs=0.01)
    assert 6.0 - dew == pytest.approx([15.22, 4.58, 6.23], abs=0.05)
    assert 1.0 - dew == pytest.approx([10.22, -0.42, 1.23], abs=0.05)


def test_superheat_on_dew_and_subcooling_on_bubble(shared: Path) -> None:
    """Messy export 72: with bubble for superheat the wet return would be hidden."""
    rows = rows_of(shared / "messy" / "72-glide-dew-and-bubble" / "ch2_r407c.csv")
    one = curve("R407C")
    p = np.array([float(r["CH2 SuctP kPa abs"]) for r in rows])
    t = np.array([float(r["CH2 SuctT C"]) for r in rows])
    high = np.array([float(r["CH2 CondP kPa abs"]) for r in rows])
    liquid = np.array([float(r["CH2 LiqT C"]) for r in rows])
    assert t - one.dew_c(p) == pytest.approx([5.64, -1.36], abs=0.1)
    assert one.bubble_c(high) - liquid == pytest.approx([3.18, -1.82], abs=0.1)
    assert one.dew_c(np.array([500.0, 1800.0])) == pytest.approx([2.36, 46.03], abs=0.02)
    assert one.bubble_c(np.array([500.0, 1800.0])) == pytest.approx([-3.85, 41.18], abs=0.02)
