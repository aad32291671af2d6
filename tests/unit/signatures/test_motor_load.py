"""The equivalent circuit: monotone, closed both ways, tied to the no-load amps, and silent where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forensics.case.schema import Machine
from forensics.machine.duty.motor_circuit import MotorLoad, motor_load
from forensics.rules import read_limits

LIMITS = read_limits()
RATIOS = (0.18, 0.25, 0.33, 0.44, 0.5)


def load(no_load_ratio: float) -> MotorLoad:
    machine = Machine(refrigerant="R134a", rated_load_amps=200.0, no_load_amps=200.0 * no_load_ratio)
    found, why = motor_load(machine, LIMITS)
    assert found is not None, why
    return found


@pytest.mark.parametrize("ratio", [0.2, 0.25, 0.33, 0.44, 0.55])
def test_the_typical_circuit_draws_the_given_no_load_amps(ratio: float) -> None:
    found = load(ratio)
    assert found.circuits[0].no_load_ratio == pytest.approx(ratio, abs=1e-4)
    assert found.amps_ratio(0.0).value == pytest.approx(ratio, abs=1e-4)
    assert found.amps_ratio(1.0).value == pytest.approx(1.0, abs=1e-9)
    assert found.input_fraction(1.0).value == pytest.approx(1.0, abs=1e-9)


@given(st.sampled_from(RATIOS), st.floats(0.05, 1.2))
def test_amps_and_shaft_power_are_each_others_inverse(ratio: float, fraction: float) -> None:
    found = load(ratio)
    for circuit in found.circuits:
        assert circuit.shaft_at_amps(circuit.amps_ratio(fraction)) == pytest.approx(fraction, abs=2e-3)
        assert circuit.shaft_at_active(circuit.active_ratio(fraction)) == pytest.approx(fraction, abs=1e-6)


@given(st.sampled_from(RATIOS))
def test_more_load_draws_more(ratio: float) -> None:
    found = load(ratio)
    fractions = np.linspace(0.0, 1.4, 60)
    for circuit in found.circuits:
        current = circuit.line_current(fractions)
        assert bool((np.diff(np.abs(current)) > 0).all())
        assert bool((np.diff(current.real) > 0).all())


@given(st.sampled_from(RATIOS), st.floats(0.05, 1.0))
def test_the_interval_holds_the_typical_value(ratio: float, fraction: float) -> None:
    found = load(ratio)
    amps = found.amps_ratio(fraction)
    shaft = found.shaft_fraction(amps.value)
    assert amps.low <= amps.value <= amps.high
    assert shaft is not None
    assert shaft.low <= fraction + 2e-3
    assert shaft.high >= fraction - 2e-3


def test_the_limit_is_its_own_at_the_typical_no_load_current() -> None:
    """A motor like those that the limit was learned on is held against the same ratio; others against another."""
    typical = LIMITS["motor.no_load_typical"]
    assert load(typical).limit_in_amps(0.5).value == pytest.approx(0.5, abs=1e-3)
    assert load(0.25).limit_in_amps(0.5).high < 0.5 < load(0.44).limit_in_amps(0.5).low
    assert load(0.25).limit_of_load(0.5).value == pytest.approx(load(0.44).limit_of_load(0.5).value, abs=1e-6)


def test_below_the_no_load_amps_there_is_no_load() -> None:
    assert load(0.44).shaft_fraction(0.38) is None


def test_lower_voltage_draws_more_amps_for_the_same_power_once_loaded() -> None:
    found = load(0.33)
    active = found.circuits[0].active_ratio(0.9)
    assert found.amps_at_active(active, 0.9).value > found.amps_at_active(active, 1.0).value
    idle = found.circuits[0].active_ratio(0.05)
    assert found.amps_at_active(idle, 0.9).value < found.amps_at_active(idle, 1.0).value


@pytest.mark.parametrize(
    ("changes", "missing"),
    [
        ({"no_load_amps": None}, "no no_load_amps"),
        ({"rated_load_amps": None}, "no rated_load_amps"),
        ({"no_load_amps": None, "rated_load_amps": None}, "no no_load_amps and no rated_load_amps"),
        ({"no_load_amps": 230.0}, "no ordinary motor"),
    ],
)
def test_what_is_missing_is_said(changes: dict[str, float | None], missing: str) -> None:
    machine = Machine(**{"refrigerant": "R134a", "rated_load_amps": 200.0, "no_load_amps": 66.0, **changes})
    found, why = motor_load(machine, LIMITS)
    assert found is None
    assert missing in why
