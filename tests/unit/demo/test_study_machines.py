"""Machines of the study: balances that hold whatever the build, and what each build's table promises.

Laws are textbook; "within" bounds are those of a lumped model whose steps are seconds.
"""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from forensics.demo.study import BUILDS, SEVERITIES, Simulation, command_table, profile_toml, simulate
from forensics.demo.study.motor import running_amps_pu
from forensics.demo.study.sensors import SENSORS
from forensics.demo.study.thermodynamics import fluid, orifice_kg_s, steady_plenum_kpa

from tests.unit.demo.study_runs import made, running, stops

HFC = ("R134a", "R1234ze(E)", "R22", "R410A", "R717", "R407C")


@pytest.mark.parametrize("name", HFC)
def test_latent_heat_is_that_of_the_property_library(name: str) -> None:
    # source of the check: CoolProp's reference equations of state
    vapour, liquid = (PropsSI("H", "T", t + 273.15, "Q", q, name) / 1e3 for t, q in ((5.0, 1), (35.0, 0)))
    assert fluid(name).latent_kj_kg == pytest.approx(vapour - liquid, rel=1e-9)


def test_only_the_zeotropic_blend_has_a_glide() -> None:
    # ASHRAE 34 lists the R407 series as zeotropes, R410A as near-azeotropic (from memory); glide near 35 degC about 5 K
    assert {name for name in HFC if fluid(name).glide_k > 1.0} == {"R407C"}
    assert fluid("R407C").glide_k == pytest.approx(4.9, abs=0.8)


def test_steady_plenum_passes_the_flow_that_it_is_given() -> None:
    for flow in (0.05, 0.5, 2.0):
        held = steady_plenum_kpa(flow, 800.0, 350.0, 24.0)
        assert orifice_kg_s(800.0, held, 350.0, 24.0) == pytest.approx(flow, rel=0.02)


@pytest.mark.parametrize("build", sorted(BUILDS))
def test_a_healthy_machine_of_each_build_runs_and_never_trips(build: str) -> None:
    sim = made(build)
    assert len(sim.truth["starts"]) >= 3  # type: ignore[arg-type]
    assert not [event for event in sim.events if event.point == "TRIP"]
    assert all(stop["peak_reverse_rpm"] > -90.0 for stop in stops(sim))
    t = running(sim)
    assert sim.state("amps", t).max() < 1.1
    assert 2.0 < np.median(sim.state("water_out", t)) < 10.0


@pytest.mark.parametrize("build", sorted(BUILDS))
def test_pressures_equalise_after_a_healthy_stop(build: str) -> None:
    sim = made(build)
    limit_s = 60.0 if sim.build.has_bypass else 120.0
    for stop in stops(sim):
        at = np.array([stop["time_s"] + limit_s])
        assert abs(sim.state("pd", at) - sim.state("ps", at))[0] < 8.0
        assert (sim.state("pc", at) - sim.state("ps", at))[0] > 50.0  # the check valve holds the condenser


@pytest.mark.parametrize("build", sorted(BUILDS))
def test_heat_rejected_is_cooling_and_power(build: str) -> None:
    # first law over the water sides of a steady machine; only water-cooled ones show both
    sim = made(build)
    if sim.build.condenser != "water" or sim.build.shared_circuit:
        pytest.skip("the rejected heat is not seen in water")
    t = running(sim)
    steady = t[(np.abs(sim.state("slide", t) - sim.state("slide", t - 90.0)) < 8.0)]
    cooling_kw = _cooling_kw(sim)
    cold = (sim.state("water_in", steady) - sim.state("water_out", steady)) / 5.5 * cooling_kw
    hot = (sim.state("cw_out", steady) - sim.state("cw_in", steady)) / 5.0 * cooling_kw * 1.27
    assert np.median(hot / (cold + sim.state("kw", steady))) == pytest.approx(1.0, abs=0.06)


def _cooling_kw(sim: Simulation) -> float:
    from forensics.demo.study.plant import Plant
    from forensics.demo.study.surroundings import Surroundings

    return Plant(sim.build, Surroundings(sim.build, 1)).cooling_kw


@pytest.mark.parametrize("build", [name for name, b in BUILDS.items() if not b.has_drive])
def test_power_never_exceeds_what_volts_and_amps_carry(build: str) -> None:
    sim = made(build)
    t = running(sim)
    apparent = np.sqrt(3.0) * sim.build.volts * sim.state("amps", t) * sim.build.rated_amps / 1e3
    factor = sim.state("kw", t) / apparent
    assert factor.max() < 1.0
    assert factor.min() > 0.2


def test_amps_have_a_magnetising_part_at_right_angles() -> None:
    build = BUILDS["pulsed-bypass"]
    assert running_amps_pu(build, 0.0, 1.0) == pytest.approx(build.no_load_ratio)
    assert running_amps_pu(build, 1.0, 1.0) == pytest.approx(1.0)


@pytest.mark.parametrize("build", sorted(BUILDS))
def test_each_build_keeps_its_command_table(build: str) -> None:
    sim, table = made(build), command_table(BUILDS[build])
    states: list[dict[str, float]] = sim.truth["states"]  # type: ignore[assignment]
    ends = [state["from_s"] for state in states[1:]] + [sim.windows[-1][1]]
    looked = 0
    for state, end in zip(states, ends, strict=True):
        if end - state["from_s"] < 0.3:
            continue
        t = np.arange(state["from_s"] + 0.05, end - 0.01, 0.1)
        for role in sim.build.solenoids:
            on, cell = sim.switched(role, t), table[str(state["state"])][role]
            broken = {
                "off": on.any(),
                "on": not on.all(),
                "off then on": bool(on[0]),
                "on then off": not on[0],
            }.get(cell, False)
            assert not broken, (state, role, cell)
            looked += 1
    assert looked > 20 or not sim.build.solenoids


@pytest.mark.parametrize("build", sorted(BUILDS))
def test_each_profile_is_one_that_the_workbook_reads(build: str) -> None:
    import tomllib

    from forensics.rules.profiles import Profile

    profile = Profile.model_validate(tomllib.loads(profile_toml(BUILDS[build])))
    assert profile.id == build
    assert profile.polarity.has_bypass == BUILDS[build].has_bypass
    assert profile.polarity.has_pump_down == BUILDS[build].pump_down


def test_pulses_last_from_a_third_of_a_second_to_three() -> None:
    at, on = made().edges["load_solenoid"]
    lengths = np.diff(at)[on[:-1]]
    assert lengths.min() == pytest.approx(0.3, abs=0.11)
    assert 1.0 < lengths.max() <= 3.01


def test_step_machines_stand_on_their_steps() -> None:
    sim = made("steps-four")
    held = running(sim)
    moved = sim.state("slide", held) - sim.state("slide", held - 60.0)
    share = 25.0 + 0.75 * sim.state("slide", held[np.abs(moved) < 0.1])
    assert {round(float(s)) for s in share} <= {25, 50, 75, 100}


def test_oil_comes_from_lift_or_from_the_pump() -> None:
    # at the same lift a pumped machine has the pump's pressure more
    fed, pumped = made("pulsed-bypass"), made("spring-loads")
    for sim, low, high in ((fed, -80.0, -20.0), (pumped, 100.0, 200.0)):
        t = running(sim)
        extra = sim.state("oil_kpa", t) - (sim.state("pd", t) - sim.state("ps", t))
        assert low < np.median(extra) < high


def test_transformers_inside_the_delta_show_the_winding() -> None:
    # line over winding current of a delta: the square root of three (textbook)
    sim = made("transformers-in-delta")
    t = running(sim)
    line = sim.state("amps", t) * sim.build.rated_amps
    assert np.allclose(SENSORS["motor_amps"].look(sim, t) * np.sqrt(3.0), line)


def test_star_draws_a_third_and_across_the_line_all_of_the_locked_rotor_current() -> None:
    for build, share in (("pulsed-bypass", 1.0 / 3.0), ("no-bypass", 1.0)):
        sim = made(build)
        t0 = sim.truth["starts"][0]["time_s"]  # type: ignore[index]
        first = sim.state("amps", np.array([t0 + 0.1]))[0]
        assert first == pytest.approx(sim.build.locked_rotor_ratio * share, rel=0.1)


def test_current_ends_within_a_tenth_of_a_second_and_begins_at_once() -> None:
    sim = made()
    for stop in stops(sim):
        assert sim.state("amps", np.array([stop["time_s"] + 0.1]))[0] == 0.0
    for start in sim.truth["starts"]:  # type: ignore[attr-defined]
        assert sim.state("amps", np.array([start["time_s"] - 0.1]))[0] == 0.0
        assert sim.state("amps", np.array([start["time_s"] + 0.1]))[0] > 1.5


def test_an_open_transition_has_a_gap_and_a_closed_one_none() -> None:
    for build, gap in (("pulsed-bypass", True), ("bypass-at-start", False)):
        sim = made(build)
        around = sim.truth["starts"][0]["time_s"] + np.arange(4.9, 5.6, 0.02)  # type: ignore[index]
        assert (sim.state("amps", around).min() < 0.05) == gap


def test_a_sensor_after_the_check_valve_stays_high_at_rest() -> None:
    after, before = made("sensor-after-check"), made("pulsed-bypass")
    for sim, high in ((after, True), (before, False)):
        at = np.array([stops(sim)[0]["time_s"] + 40.0])
        shown = SENSORS["discharge_pressure"].look(sim, at) - sim.state("ps", at)
        assert (shown[0] > 100.0) == high


def test_a_neighbour_on_the_circuit_moves_the_condenser() -> None:
    shared, alone = made("shared-circuit"), made("pulsed-bypass")
    t = running(shared)
    assert shared.state("tc", t).std() > alone.state("tc", running(alone)).std() + 0.5


def test_same_arguments_same_bytes() -> None:
    one, two = (simulate("three-way", "low-suction", "clear", "hours", seed=8, hours=4.0) for _ in range(2))
    assert one.table.tobytes() == two.table.tobytes()
    assert one.truth == two.truth
    for role in ("motor_amps", "suction_pressure"):
        first, second = (sim.case(dirt="rough").logs[0].values[role] for sim in (one, two))
        assert first.tobytes() == second.tobytes()
    other = simulate("three-way", "low-suction", "clear", "hours", seed=9, hours=4.0)
    assert other.table.tobytes() != one.table.tobytes()


def test_wrong_names_are_told_all_at_once() -> None:
    with pytest.raises(ValueError, match=r"severity 'mild'.*onset 'soon'.*hours"):
        simulate("pulsed-bypass", "high-head", "mild", "soon", hours=1.0)
    with pytest.raises(ValueError, match="cannot have 'bypass-not-released'"):
        simulate("no-bypass", "bypass-not-released")
    with pytest.raises(ValueError, match="build 'x' is not one of"):
        simulate("x")


def test_severities_are_three() -> None:
    assert SEVERITIES == ("barely", "clear", "gross")
