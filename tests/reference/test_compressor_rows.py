"""Screw compressor and oil: rows of area SC, and rows of area EL on run-up and coast-down.

The detectors are held against the rows' curves; the demonstration machine's shaft and gas work against closed forms.
Limits that rest on common practice are held against the ranges of the rows: common practice, no published source, from
memory, save where a row names one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from check_values import Row
from forensics.demo.machine import Machine, Size, compression_work
from forensics.demo.scenarios import Scenario, short_run
from steady import BEGIN_NS, point, steady

from forensics.machine.duty.baseline import frame_of
from forensics.machine.stops.coastdown_model import pressure_after
from forensics.machine.stops.equalisation import equalisation, high_side_decay
from forensics.machine.stops.rotor_pressure import Difference
from forensics.model.points import NS
from forensics.model.vocabulary import Role
from forensics.rules import FOLDER, read_limits, read_toml
from forensics.rules.profiles import read_profile
from forensics.signatures.oil.filter import TYPICAL_CST, difference_over, walther_cst

Rows = dict[str, Row]
LIMITS = read_limits()


# -- the demonstration machine's shaft -----------------------------------------------------------------------------


def shaft(inertia_kg_m2: float, rad_s: float) -> Machine:
    """A shaft alone: the machine's own way of moving its speed on, nothing else of it."""
    machine = Machine.__new__(Machine)
    machine.size = Size(
        rated_amps=186.0,
        volts=460.0,
        hertz=60.0,
        locked_rotor_ratio=6.0,
        no_load_ratio=0.33,
        plenum_m3=0.08,
        bypass_mm2=850.0,
        inertia_kg_m2=inertia_kg_m2,
        reduced_current=0.33,
        loop_kj_k=1000.0,
    )
    machine.rpm = rad_s * 60.0 / (2.0 * math.pi)
    return machine


def turn(
    machine: Machine,
    until: Callable[[float, float], bool],
    torque: Callable[[float, float], float],
    drag: Callable[[float], float] = lambda _: 0.0,
    dt: float = 1e-3,
) -> list[tuple[float, float]]:
    """Time (s) and speed (rad/s), step by step, until a condition of them holds."""
    course, t = [], 0.0
    while True:
        w = machine.rpm * 2.0 * math.pi / 60.0
        course.append((t, w))
        if until(t, w):
            return course
        machine.accelerate(dt, torque(t, w), drag(w))
        t += dt


def test_run_up_under_constant_torque(rows: Rows) -> None:
    """EL-110: the NEMA-style formula and J dw / T; the row's units are those of the inch-pound system."""
    row = rows["EL-110"]
    inertia, speed_rpm, pull = row.given[-3:]
    kg_m2, nm = inertia * 0.04214011, pull * 1.3558179
    course = turn(shaft(kg_m2, 0.0), lambda _, w: w >= speed_rpm * math.pi / 30.0, lambda *_: nm, dt=5e-4)
    assert course[-1][0] == pytest.approx(row.values[1], rel=2e-3)


SYNCHRONOUS = 314.159


def run_up_s(load_nm: float) -> float:
    course = turn(
        shaft(1.2, 0.0),
        lambda _, w: w >= 0.97 * SYNCHRONOUS,
        lambda _, w: 150.0 - load_nm - 20.0 * (w / SYNCHRONOUS) ** 2,
        dt=5e-4,
    )
    return course[-1][0]


def test_run_up_unloaded_and_loaded(rows: Rows) -> None:
    """EL-111, EL-112 (quadrature by scipy): the loaded start is 2.7 times as long, well beyond the limit on inrush."""
    unloaded, loaded = run_up_s(0.0), run_up_s(90.0)
    assert unloaded == pytest.approx(rows["EL-111"].values[0], rel=1.5e-3)
    assert loaded == pytest.approx(rows["EL-112"].values[0], rel=1.5e-3)
    assert loaded / unloaded == pytest.approx(rows["EL-112"].values[1], rel=2e-3)
    assert 1.2 < LIMITS["starts.inrush_ratio"] < rows["EL-112"].values[1]
    assert LIMITS["waveform.run_up_max_s"] > rows["EL-112"].values[1]


def test_energy_of_a_shaft_that_was_run_up(rows: Rows) -> None:
    """EL-113, an energy identity: what the torque put in is the kinetic energy of the shaft."""
    row = rows["EL-113"]
    inertia, speed = row.given
    machine, dt, put_in = shaft(inertia, 0.0), 1e-3, 0.0
    before = 0.0
    while before < speed:
        machine.accelerate(dt, 150.0, 0.0)
        after = machine.rpm * math.pi / 30.0
        put_in += 150.0 * 0.5 * (before + after) * dt
        before = after
    assert 0.5 * inertia * before**2 == pytest.approx(put_in, rel=1e-6)
    assert put_in / 1000.0 * (speed / before) ** 2 == row.about()


def test_laws_of_coast_down(rows: Rows) -> None:
    """EL-114: time to half speed, and to standstill where there is one, in units of each law's time constant."""
    half_s, stop_s, viscous, _, fan = (0.5, 1.0, 0.6931, math.inf, 1.0)
    assert rows["EL-114"].expected.startswith("(i) 0.5 tau, 1.0 tau; (ii) 0.6931 tau, infinite; (iii) 1.0 tau")
    inertia, w0 = 0.5, 300.0

    def times(drag: Callable[[float], float], most_s: float) -> tuple[float, float | None]:
        course = turn(shaft(inertia, w0), lambda t, w: w == 0.0 or t > most_s, lambda *_: 0.0, drag)
        half = next(t for t, w in course if w <= w0 / 2.0)
        return half, course[-1][0] if course[-1][1] == 0.0 else None

    torque, tau = 10.0, inertia * w0 / 10.0
    half, stop = times(lambda _: torque, 2.0 * tau)
    assert half / tau == pytest.approx(half_s, rel=1e-3)
    assert stop is not None
    assert stop / tau == pytest.approx(stop_s, rel=1e-3)
    half, stop = times(lambda w: inertia / 5.0 * w, 15.0)
    assert half / 5.0 == pytest.approx(viscous, rel=1e-3)
    assert stop is None
    k = inertia / (5.0 * w0)
    half, stop = times(lambda w: k * w * w, 15.0)
    assert half / 5.0 == pytest.approx(fan, rel=1e-3)
    assert stop is None


def test_coast_down_under_friction_and_windage(rows: Rows) -> None:
    """EL-115: J / sqrt(Tc k) atan(w0 sqrt(k / Tc))."""
    inertia, friction, windage, w0 = (rows["EL-115"].given[i] for i in (0, 1, 3, 4))
    course = turn(
        shaft(inertia, w0), lambda _, w: w == 0.0, lambda *_: 0.0, lambda w: friction + windage * (w / w0) ** 2
    )
    assert course[-1][0] == rows["EL-115"].about()


def friction(rad_s: float) -> float:
    """The row's drag: 8 N m, rounded off near standstill."""
    return 8.0 * abs(math.tanh(rad_s / 0.5))


def test_gas_that_equalises_fast_does_not_turn_the_rotors_back(rows: Rows) -> None:
    """EL-116 (scipy): the gas torque has decayed before standstill, as with an unloading valve that opens."""
    course = turn(shaft(0.5, SYNCHRONOUS), lambda _, w: w <= 0.0, lambda t, _: -15.0 * math.exp(-t / 1.5), friction)
    t, w = course[-1]
    assert t == rows["EL-116"].about(0)
    assert w == pytest.approx(0.0, abs=0.05)


def test_gas_that_equalises_slowly_turns_the_rotors_back(rows: Rows) -> None:
    """EL-117 (scipy): through standstill, then back for tens of seconds."""
    course = turn(shaft(0.5, SYNCHRONOUS), lambda t, _: t > 40.0, lambda t, _: -30.0 * math.exp(-t / 20.0), friction)
    crossing, peak, at_s = rows["EL-117"].values
    assert next(t for t, w in course if w <= 0.0) == pytest.approx(crossing, rel=0.01)
    t, w = min(course, key=lambda one: one[1])
    assert w == pytest.approx(peak, rel=0.01)
    assert t == pytest.approx(at_s, rel=0.01)
    assert abs(peak) * 30.0 / math.pi > LIMITS["coastdown.reverse_rpm"]


WORK = ["SC-025", "SC-026", "SC-027", "SC-028", "SC-029"]


@pytest.mark.parametrize("row_id", WORK)
def test_indicated_work_of_a_fixed_volume_ratio(rows: Rows, row_id: str) -> None:
    """Closed-cell compression, then equalisation at constant volume (textbook); the generator's gas torque."""
    row = rows[row_id]
    volume_ratio, pressure_ratio, exponent = row.given
    work = compression_work(volume_ratio, exponent) + pressure_ratio / volume_ratio
    assert work == pytest.approx(row.values[0], abs=2e-5)
    matched = exponent / (exponent - 1.0) * (pressure_ratio ** ((exponent - 1.0) / exponent) - 1.0)
    assert matched / work == pytest.approx(row.values[1], abs=2e-5)


@pytest.mark.parametrize("row_id", ["SC-021", "SC-022", "SC-023", "SC-024"])
def test_built_in_pressure_ratio(rows: Rows, row_id: str) -> None:
    """Vi^n, where the generator's work touches that of a compression that ends at the pressure outside."""
    from scipy.optimize import brentq

    volume_ratio, exponent = rows[row_id].given

    def wasted(pressure_ratio: float) -> float:
        work = compression_work(volume_ratio, exponent) + pressure_ratio / volume_ratio
        return work - exponent / (exponent - 1.0) * (pressure_ratio ** ((exponent - 1.0) / exponent) - 1.0)

    matched = brentq(lambda at: wasted(at + 1e-4) - wasted(at - 1e-4), 1.5, 8.0)
    assert matched == rows[row_id].about()
    assert wasted(matched) == pytest.approx(0.0, abs=1e-9)


def expansion_kj(volume_m3: float, high_kpa: float, low_kpa: float) -> float:
    """Most work that trapped gas can give as it expands, kJ (isothermal)."""
    return volume_m3 * high_kpa * math.log(high_kpa / low_kpa)


def test_rotors_turn_back_no_faster_than_the_trapped_gas_allows(rows: Rows) -> None:
    """SC-046, SC-047, an energy bound: it holds for the demonstration machine whose valve stays shut."""
    work_kj = expansion_kj(*rows["SC-046"].given)
    assert work_kj == rows["SC-046"].about()
    assert math.sqrt(2e3 * work_kj / rows["SC-047"].given[0]) == rows["SC-047"].about()
    run = short_run("bypass-not-released", 5, cycles=1)
    size = Scenario()
    stop = run.truth["stops"][-1]  # type: ignore[index]
    at = int(np.searchsorted(run.time_s, stop["time_s"]))
    low_kpa = float(run.exact["suction_pressure"][at])
    most_kj = expansion_kj(size.plenum_m3, low_kpa + stop["difference_kpa"], low_kpa)
    bound_rpm = math.sqrt(2e3 * most_kj / size.inertia_kg_m2) * 30.0 / math.pi
    assert -bound_rpm < stop["peak_reverse_rpm"] < -LIMITS["coastdown.reverse_rpm"]


# -- equalisation after a stop --------------------------------------------------------------------------------------


def fallen(values: np.ndarray, step_s: float) -> Difference:
    """A pressure above a suction of nothing, from the moment of a stop."""
    upper = point(Role.DISCHARGE_PRESSURE, values, step_s)
    lower = point(Role.SUCTION_PRESSURE, np.zeros(len(values)), step_s)
    return Difference(upper, lower, upper.t, values, step_s)


def blowdown(rows: Rows) -> tuple[float, float]:
    """Time constant of the row's isothermal choked blowdown, s, by the ideal-gas flow function; gamma."""
    molar, gamma, volume, bore_mm, discharge, kelvin = rows["SC-038"].given
    gas = 8314.462618 / molar
    flow = math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (2.0 * (gamma - 1.0)))
    area = math.pi / 4.0 * (bore_mm * 1e-3) ** 2
    return volume / (discharge * area * flow * math.sqrt(gas * kelvin)), gamma


def test_decay_of_the_high_side_through_a_choked_leak(rows: Rows) -> None:
    """SC-038, SC-039: an isothermal choked blowdown is an exponential; the fit gives its time constant back."""
    tau, _ = blowdown(rows)
    assert tau == rows["SC-038"].about()
    t = np.arange(0.0, 130.0, 1.0)
    course = 900.0 * np.exp(-t / tau)
    assert np.interp(-600.0, -course, t) == pytest.approx(rows["SC-039"].values[0], rel=2e-3)
    found, error, why_not = high_side_decay(fallen(course, 1.0), BEGIN_NS, BEGIN_NS + 200 * NS, LIMITS)
    assert why_not == ""
    assert found == rows["SC-038"].about()
    assert error == pytest.approx(0.0, abs=1e-6)


def test_decay_through_an_adiabatic_leak_is_no_longer_than_isothermal(rows: Rows) -> None:
    """SC-040: the adiabatic fall is faster; a line through its logarithm stays within a quarter."""
    tau, gamma = blowdown(rows)
    t = np.arange(0.0, 130.0, 0.25)
    course = 900.0 * (1.0 + (gamma - 1.0) / 2.0 * t / tau) ** (-2.0 * gamma / (gamma - 1.0))
    assert np.interp(-600.0, -course, t) == pytest.approx(rows["SC-040"].values[0], rel=1e-3)
    found, _, _ = high_side_decay(fallen(course, 0.25), BEGIN_NS, BEGIN_NS + 200 * NS, LIMITS)
    assert found is not None
    assert 0.75 * tau < found < 1.25 * tau


def two_vessels(rows: Rows, t: np.ndarray) -> tuple[np.ndarray, float]:
    """Difference of two vessels that equalise through an orifice, kPa (by scipy), and their last pressure."""
    from scipy.integrate import solve_ivp

    molar, gamma, _, bore_mm, discharge, kelvin = rows["SC-038"].given
    gas = 8314.462618 / molar
    area = math.pi / 4.0 * (bore_mm * 1e-3) ** 2
    volumes = (0.05, 0.15)

    def flow(_: float, p: np.ndarray) -> list[float]:
        up, down = max(p), min(p)
        ratio = max(down / up, (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))
        root = 2.0 * gamma / (gamma - 1.0) * (ratio ** (2.0 / gamma) - ratio ** ((gamma + 1.0) / gamma))
        mass = discharge * area * up * math.sqrt(max(root, 0.0) / (gas * kelvin)) * math.copysign(1.0, p[0] - p[1])
        return [-mass * gas * kelvin / volumes[0], mass * gas * kelvin / volumes[1]]

    found = solve_ivp(flow, (0.0, float(t[-1])), [900e3, 300e3], t_eval=t, rtol=1e-9, atol=1.0, max_step=0.05)
    return (found.y[0] - found.y[1]) / 1e3, float(found.y[0][-1] / 1e3)


def test_equalisation_of_two_vessels(rows: Rows) -> None:
    """SC-041, SC-042: no single exponential near its end; the time to 1/e is that of the integrated course."""
    row = rows["SC-041"]
    t = np.arange(0.0, 41.0, 0.5)
    course, final = two_vessels(rows, np.arange(0.0, 60.0, 0.05))
    assert final == row.about(0)
    fine = np.arange(0.0, 60.0, 0.05)
    times = [float(np.interp(-share * 600.0, -course, fine)) for share in (0.5, 0.1)]
    assert times[0] == row.about(1)
    assert times[1] == row.about(2)
    difference = np.interp(t, fine, course)
    found, why_not = equalisation(fallen(difference, 0.5), (BEGIN_NS, BEGIN_NS), BEGIN_NS + 60 * NS, LIMITS)
    assert why_not == ""
    assert found is not None
    assert found.value == pytest.approx(float(np.interp(-600.0 * math.exp(-1.0), -course, fine)), abs=0.02)
    assert found.low < found.value < found.high
    assert found.high - found.low == pytest.approx(0.5)


@pytest.mark.parametrize("finish_s", [8.0, 15.0, 30.0])
def test_a_finite_tail_gives_the_time_to_one_e(rows: Rows, finish_s: float) -> None:
    """SC-042: near the end the difference goes like (1 - t / tf)^2, which falls to 1/e after 0.3935 tf."""
    assert "(1-t/tf)^2" in rows["SC-042"].expected
    t = np.arange(0.0, 41.0, 1.0)
    course = 600.0 * np.clip(1.0 - t / finish_s, 0.0, None) ** 2
    found, _ = equalisation(fallen(course, 1.0), (BEGIN_NS, BEGIN_NS), BEGIN_NS + 60 * NS, LIMITS)
    assert found is not None
    # the root of this law is a straight line, so that interpolation between readings is exact
    assert found.value == pytest.approx((1.0 - math.exp(-0.5)) * finish_s, rel=1e-6)


def test_the_law_of_an_orifice_against_a_choked_blowdown(rows: Rows) -> None:
    """SC-038, SC-039, SC-042: the model's closed form with the row's bore, volume and gas."""
    molar, _, volume, bore_mm, coefficient, kelvin = rows["SC-038"].given
    gas = 8314.462618 / molar
    wide = coefficient * math.pi / 4.0 * (bore_mm * 1e-3) ** 2 * math.sqrt(2.0 * gas * kelvin) / volume
    t = np.linspace(0.0, 40.0, 401)
    course = pressure_after(np.array(900.0), np.array(300.0), np.array(wide), t)
    assert np.interp(-600.0, -course, t) == pytest.approx(rows["SC-039"].values[0], rel=0.03)
    late = pressure_after(np.array(303.0), np.array(300.0), np.array(wide), t) - 300.0
    root = np.sqrt(late[late > 0.0])
    assert np.diff(root) == pytest.approx(np.full(len(root) - 1, root[1] - root[0]), rel=0.01)


# -- oil ------------------------------------------------------------------------------------------------------------


OILS = {
    "SC-050": ((40.0, 32.0), (100.0, 5.4), 80.0, 2),
    "SC-051": ((40.0, 32.0), (100.0, 5.4), 80.0, 2),
    "SC-052": ((40.0, 68.0), (100.0, 8.7), 60.0, 0),
    "SC-053": ((40.0, 68.0), (100.0, 8.7), 90.0, 0),
    "SC-054": ((40.0, 170.0), (100.0, 17.0), 70.0, 0),
    "SC-055": ((40.0, 220.0), (100.0, 19.0), 20.0, 0),
}


@pytest.mark.parametrize("row_id", list(OILS))
def test_viscosity_by_astm_d341(rows: Rows, row_id: str) -> None:
    """ASTM D341 (worked sheet, secondary source; computed). The constants are not printed, only what they give."""
    low, high, celsius, place = OILS[row_id]
    expected = rows[row_id].values[place]
    assert walther_cst(np.array([celsius]), low, high)[0] == pytest.approx(expected, rel=5e-3)


def test_the_typical_oil_is_of_its_grade(rows: Rows) -> None:
    """SC-059, ISO 3448 (from memory): VG 68, ten percent either way at 40 degC."""
    least, most = rows["SC-059"].values
    (celsius, viscosity), _ = TYPICAL_CST
    assert celsius == 40.0
    assert least <= viscosity <= most
    assert walther_cst(np.array([40.0]), *TYPICAL_CST)[0] == pytest.approx(viscosity, rel=1e-9)


def test_oil_difference_is_feed_less_suction(rows: Rows) -> None:
    """SC-066: the gauge readings' common datum cancels; a gauge value alone is never a difference."""
    row = rows["SC-066"]
    oil, suction = row.given
    readings = {Role.OIL_PRESSURE: oil + 101.325, Role.SUCTION_PRESSURE: suction + 101.325}
    subject = steady(readings)
    found = difference_over(frame_of(subject))
    assert found is not None
    assert np.median(found) == row.about()
    assert difference_over(frame_of(steady({Role.OIL_PRESSURE: oil}))) is None


# -- limits of common practice ---------------------------------------------------------------------------------------


def test_limits_lie_in_the_ranges_of_common_practice(rows: Rows) -> None:
    """SC-067 to SC-070: each row is common practice, no standard value, from memory."""
    least, most, soonest, latest = rows["SC-067"].values
    assert least <= LIMITS["oil.difference_low"] <= most
    assert soonest <= LIMITS["oil.proof_time"] <= latest
    change, alarm = rows["SC-068"].values
    assert change <= LIMITS["oil.filter_drop_high"] <= alarm
    assert LIMITS["oil.dilution_safe"] == rows["SC-069"].values[0]
    assert LIMITS["oil.dilution_margin"] <= rows["SC-069"].values[0]
    usual_least, usual_most, warned, tripped, tripped_most = rows["SC-070"].values
    assert usual_least < usual_most < LIMITS["heat.discharge_high"] <= tripped <= tripped_most
    assert LIMITS["heat.discharge_high"] == warned
    assert LIMITS["sensors.discharge_clear_c"] < usual_most
    for name in ("oil.difference_low", "oil.filter_drop_high", "oil.dilution_safe", "heat.discharge_high"):
        assert LIMITS.limit(name).kind == "common practice"


def test_no_fixed_discharge_superheat_calls_flood_back(rows: Rows) -> None:
    """SC-071: 8 to 12 K is where dry R134a lies by itself, so it is a fall from the machine's own usual that counts."""
    least, most = rows["SC-071"].values
    assert least <= LIMITS["refrigerant.discharge_superheat_drop"] <= most
    assert LIMITS["refrigerant.discharge_saturated"] < 0.25 * least
    assert "own usual" in LIMITS.basis("refrigerant.discharge_superheat_drop")


def test_restart_times(rows: Rows) -> None:
    """SC-072: start to start 15 to 30 min, stop to start 3 to 5 min."""
    soonest, _, least, most = rows["SC-072"].values
    assert 60.0 / LIMITS["starts.most_per_hour"] == soonest
    anti_recycle_min = read_profile("pulsed-slide-bypass", Path()).times.anti_recycle_s / 60.0
    assert least <= anti_recycle_min <= most
    assert least <= LIMITS["starts.short_off_s"] / 60.0 <= most


def test_limits_of_oil_samples(rows: Rows) -> None:
    """SC-078, SC-079, SC-082: common practice; acid and water are after-effects, and one metal value shows nothing."""
    rules = read_toml(FOLDER / "measurements.toml")
    acid = rules["oil_acid_number"]
    assert acid["limit"] in rows["SC-079"].values
    assert set(acid) >= {"consequence"}
    assert "shows" not in acid
    assert rules["oil_moisture"]["limit"] > rows["SC-078"].values[0]
    for metal in ("oil_iron", "oil_copper"):
        assert "shows" not in rules[metal]
    assert "slope" in rules["oil_iron"]["basis"]


# -- what turns backwards -------------------------------------------------------------------------------------------


def test_a_machine_that_turned_back_after_a_stop_has_its_modes_and_a_caution(rows: Rows) -> None:
    """SC-048 (handbook page, secondary source): flow back through the rotors drives them backwards."""
    assert "drive positive-displacement rotors backwards" in rows["SC-048"].quantity
    for mode in ("bypass-not-released", "discharge-check-leaking"):
        rule = read_toml(FOLDER / "modes" / f"{mode}.toml")
        assert "coastdown.reverse_rotation" in {sign["check"] for sign in rule["for"]}, mode


def test_a_wrong_direction_is_told_by_what_does_not_happen(rows: Rows) -> None:
    """SC-049 (trade text, secondary source): suction does not fall, discharge does not rise."""
    assert "suction does not fall, discharge does not rise" in rows["SC-049"].expected
    rule = read_toml(FOLDER / "modes" / "wrong-phase-sequence.toml")
    signs = {sign["check"]: sign["weight"] for sign in rule["for"]}
    assert signs["starts.discharge_falls_below_suction"] == "strong"
    assert {"check": "starts.no_lift", "outcome": "absent", "weight": "strong"}.items() <= next(
        sign for sign in rule["against"] if sign["check"] == "starts.no_lift"
    ).items()
    assert rule["required"] == [{"any": ["starts.no_lift"], "basis": "a machine that turns backwards builds no lift"}]
