"""Motors: load from amps or power, starting duty and inrush against values of standards, textbooks and the circuit.

Sources stand beside each check; ids are rows of the shared table of check values, which are read where it is present.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from check_values import Row, spread

from forensics.case.schema import Machine
from forensics.machine.duty.motor_circuit import Circuit, motor_load
from forensics.model.vocabulary import Starter
from forensics.rules import read_limits
from forensics.rules.start_duty import DutyRow, read_start_duty
from forensics.signatures.starts.duty import KW_PER_HP, shaft_kw
from forensics.signatures.starts.run_up import expected_inrush, torque_share

Rows = dict[str, Row]
LIMITS = read_limits()
DUTY = read_start_duty()


def circuit(magnetising: float) -> Circuit:
    """The circuit of EL-118: R1 = 0.012, X1 = 0.09, R2 = 0.010, X2 = 0.09, rated shaft power 0.80, per unit."""
    return Circuit(0.012, 0.09, magnetising, 0.010, 0.09, 0.80)


# EL-118 to EL-125: computed from the equivalent circuit of IEEE 112; the numbers stand here too, for a check without
# the table
AMPS = [(0.0, 0.3298), (0.15, 0.3570), (0.25, 0.4016), (0.33, 0.4481), (0.4, 0.4947), (0.5, 0.5681), (0.75, 0.7741)]


@pytest.mark.parametrize(("fraction", "ratio"), [*AMPS, (1.0, 1.0)])
def test_amps_ratio_of_a_shaft_load(fraction: float, ratio: float) -> None:
    assert circuit(3.2).amps_ratio(fraction) == pytest.approx(ratio, abs=1e-4)


@pytest.mark.parametrize("one", spread("EL-118 to EL-125"))
def test_amps_ratio_rows(rows: Rows, one: str) -> None:
    fraction, stator, first, magnetising, rotor, second, shaft = _circuit_inputs(rows[one])
    made = Circuit(stator, first, magnetising, rotor, second, shaft)
    assert made.amps_ratio(fraction) == rows[one].about()


def _circuit_inputs(row: Row) -> tuple[float, ...]:
    """Shaft fraction, R1, X1, Xm, R2, X2 and rated shaft power of a row's text."""
    words = dict(part.split("=") for part in row.inputs.split(";")[1].split(",")[0].replace(" pu", "").split())
    fraction = float(row.inputs.split(";")[0].split()[-1])
    shaft = float(row.inputs.split("rated shaft")[1].split()[0])
    return (fraction, *(float(words[name]) for name in ("R1", "X1", "Xm", "R2", "X2")), shaft)


# SC-002 to SC-004: computed from the same circuit with other magnetising reactances
@pytest.mark.parametrize(
    ("one", "magnetising", "no_load", "shaft", "power_factor"),
    [
        ("SC-002", 2.2, 0.440, (None, 0.272), 0.826),
        ("SC-003", 3.2, 0.330, (0.247, 0.408), 0.887),
        ("SC-004", 4.5, 0.246, (0.333, 0.458), 0.923),
    ],
)
def test_amps_ratio_is_not_power_ratio(
    rows: Rows, one: str, magnetising: float, no_load: float, shaft: tuple[float | None, float], power_factor: float
) -> None:
    assert rows[one].given[-1] == magnetising
    assert no_load in rows[one].values
    assert power_factor in rows[one].values
    made = circuit(magnetising)
    assert made.no_load_ratio == pytest.approx(no_load, abs=0.001)
    assert made.rated_power_factor == pytest.approx(power_factor, abs=0.001)
    for ratio, expected in zip((0.40, 0.50), shaft, strict=True):
        if expected is None:
            assert made.no_load_ratio > ratio
        else:
            assert made.shaft_at_amps(ratio) == pytest.approx(expected, abs=0.001)
    # the other way round: the magnetising reactance is found from the no-load amps
    machine = Machine(refrigerant="R134a", rated_load_amps=1.0, no_load_amps=made.no_load_ratio)
    found, _ = motor_load(machine, LIMITS)
    assert found is not None
    assert found.circuits[0].magnetising_reactance == pytest.approx(magnetising, abs=1e-3)
    assert found.rated_power_factor.low <= power_factor <= found.rated_power_factor.high


def test_circuit_against_an_independent_solution() -> None:
    """The closed form against the slip that takes the power, found by scipy in the circuit written out by branches."""
    from scipy.optimize import brentq

    made = circuit(2.7)

    def current(slip: float) -> complex:
        rotor = made.rotor_resistance / slip + 1j * made.rotor_reactance
        magnetising = 1j * made.magnetising_reactance
        branch = rotor * magnetising / (rotor + magnetising)
        return 1.0 / (made.stator_resistance + 1j * made.stator_reactance + branch)

    def shaft(slip: float) -> float:
        line = current(slip)
        behind = 1.0 - line * (made.stator_resistance + 1j * made.stator_reactance)
        rotor = behind / (made.rotor_resistance / slip + 1j * made.rotor_reactance)
        return abs(rotor) ** 2 * made.rotor_resistance * (1.0 - slip) / slip

    for fraction in (0.1, 0.4, 0.8, 1.0, 1.3):
        slip = brentq(lambda s, f=fraction: shaft(s) - f * made.rated_shaft, 1e-6, 0.03)
        assert complex(made.line_current(np.array([fraction]))[0]) == pytest.approx(current(slip), abs=1e-7)


def test_trade_rule_of_forty_per_cent(rows: Rows) -> None:
    """SC-001 (common practice, no published source, from memory): 0.40, up to 0.50; SC-007: 15 to 35 % of power.

    Both meet where the typical motor draws 0.40 of its amps, and the amps limit is the upper end of the rule.
    """
    assert LIMITS["starts.unloaded_ratio_max"] == rows["SC-001"].values[1]
    low, high = (value / 100.0 for value in rows["SC-007"].values)
    assert low < circuit(3.2).shaft_at_amps(rows["SC-001"].values[0]) < high
    assert LIMITS["motor.power_least"] < low
    typical = circuit(3.2).no_load_ratio
    assert LIMITS["motor.no_load_typical"] == pytest.approx(typical, abs=0.005)


def test_the_interval_of_a_ratio_covers_its_standard_uncertainty(rows: Rows) -> None:
    """SC-006 (JCGM 100 clause 5.1.6): 2 % of the amps and 1 % of rated amps are 0.0089 of a ratio of 0.40."""
    ratio = rows["SC-006"].given[-1]
    assert ratio == 0.40
    assert ratio * LIMITS["starts.sensor_error_percent"] / 100.0 >= rows["SC-006"].values[0]


def test_power_factor_and_shaft_power_of_a_nameplate(rows: Rows) -> None:
    """EL-097, EL-098: definitions; the typical values that an estimate of the rating takes are those of EL-098."""
    assert 100.0 / shaft_kw(460.0, 145.0, 1.0, 1.0) == rows["EL-097"].about()
    kw, volts, efficiency, factor = rows["EL-098"].given
    assert (LIMITS["motor.efficiency"], LIMITS["motor.power_factor"]) == (efficiency, factor)
    assert shaft_kw(volts, rows["EL-098"].values[0], efficiency, factor) == pytest.approx(kw, rel=1e-4)


def test_horsepower() -> None:
    """NIST SP 811 table B.8: 550 ft.lbf/s = 745.69987 W."""
    assert pytest.approx(0.74569987, abs=1e-8) == KW_PER_HP


def row_of(horsepower: float, count: int) -> DutyRow:
    return next(r for r in (DUTY.table.poles_4 if count == 4 else DUTY.table.poles_2) if r.horsepower == horsepower)


# EL-047 to EL-057: NEMA MG 10-2001 table (secondary source, not checked against the standard)
@pytest.mark.parametrize("one", spread("EL-047 to EL-057"))
def test_starts_per_hour_rows(rows: Rows, one: str) -> None:
    row = rows[one]
    found = row_of(row.given[0], 2 if "2-pole" in row.quantity else 4)
    assert (found.starts_per_hour, found.inertia_product, found.rest_s) == row.values


def test_every_row_of_the_table_has_its_check_value(rows: Rows) -> None:
    given = {(2 if "2-pole" in rows[i].quantity else 4, rows[i].given[0]) for i in spread("EL-047 to EL-057")}
    held = {(4, r.horsepower) for r in DUTY.table.poles_4} | {(2, r.horsepower) for r in DUTY.table.poles_2}
    assert held == given


def test_worked_example_of_starts_an_hour(rows: Rows) -> None:
    """EL-058 (worked example, secondary source): beyond the load inertia of its row a motor starts less often."""
    row, inertia = row_of(25.0, 4), 50.0
    assert inertia > row.load_inertia
    assert row.starts_per_hour * row.load_inertia / inertia == rows["EL-058"].about()


def test_starts_in_succession(rows: Rows) -> None:
    """EL-059: NEMA MG 1 clauses 12.54 and 20.12, from memory."""
    assert (DUTY.succession.cold, DUTY.succession.hot) == rows["EL-059"].values
    assert "from memory" in DUTY.succession.source


def test_the_common_limit_lies_within_the_table() -> None:
    """Starts an hour that a chiller is held to (common practice) are those of a four-pole motor of 100 to 250 hp."""
    assert row_of(250.0, 4).starts_per_hour <= LIMITS["starts.most_per_hour"] <= row_of(100.0, 4).starts_per_hour


# EL-040 to EL-042: NEMA MG 1 clause 10.37 / NEC table 430.7(B) (secondary source); full-load amps at 460 V: NEC table
# 430.250, from memory
@pytest.mark.parametrize(("one", "rated_amps"), [("EL-040", 124.0), ("EL-041", 240.0), ("EL-042", 96.0)])
def test_usual_locked_rotor_current_against_code_letters(rows: Rows, one: str, rated_amps: float) -> None:
    least, most = rows[one].values
    usual = LIMITS["starts.locked_rotor_usual"]
    assert 0.9 * least / rated_amps < usual < 1.25 * most / rated_amps
    locked = {"EL-040": (5.6, 6.29), "EL-041": (5.6, 6.29), "EL-042": (5.0, 5.59)}[one]
    horsepower = rows[one].given[0]
    for kva, expected in zip(locked, (least, most), strict=True):
        assert kva * horsepower / shaft_kw(460.0, 1.0, 1.0, 1.0) == pytest.approx(expected, rel=0.005)


def test_leakage_of_the_circuit_gives_usual_locked_rotor_current() -> None:
    """Standing still the typical circuit draws about six times rated; the spread of leakage covers five to seven."""
    for name, most, least in (("leakage", 6.2, 5.8), ("leakage_low", 8.0, 7.0), ("leakage_high", 5.0, 4.0)):
        half = LIMITS[f"motor.{name}"] / 2.0
        made = Circuit(0.012, half, 3.2, 0.010, half, 0.80)
        standing = 1.0 / (0.012 + 1j * half + 1.0 / (1.0 / 3.2j + 1.0 / (0.010 + 1j * half)))
        rated = complex(made.line_current(np.ones(1))[0])
        assert least <= abs(standing) / abs(rated) <= most, name


def test_inrush_by_starter(rows: Rows) -> None:
    """EL-044, EL-045: textbook; torque with the square of the voltage, a third of current and torque in star."""
    assert torque_share(rows["EL-044"].given[0] / 100.0) == rows["EL-044"].about()
    machine = Machine(refrigerant="R134a", locked_rotor_amps=900.0, starter=Starter.STAR_DELTA)
    found = expected_inrush(machine, LIMITS)
    assert found is not None
    assert found[0] / 900.0 == pytest.approx(rows["EL-045"].values[0], abs=1e-4)
    assert torque_share(1.0 / math.sqrt(3.0)) == pytest.approx(rows["EL-045"].values[1], abs=1e-4)
