"""Faults of the study: each changes what it should and leaves the rest, more with severity, from its onset on."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
from forensics.demo.study import (
    BUILDS,
    DISTURBANCES,
    FAULTS,
    SEVERITIES,
    Simulation,
    combinations,
    simulate,
)
from forensics.demo.study.faults import possible

from forensics.model.vocabulary import Mode
from tests.unit.demo.study_runs import able, made, running, stops

Measure = Callable[[Simulation], float]
JOIN_LATER = {"economiser-fault", "drive-fault"}  # modes of the contract's second part


def _begin(sim: Simulation) -> float:
    return sim.faults[0].begin_s if sim.faults else 0.0


def _while_running(name: str, share: float) -> Measure:
    def measure(sim: Simulation) -> float:
        t = running(sim, from_s=_begin(sim) + 60.0)
        return float(np.quantile(sim.state(name, t), share)) if t.size else float("nan")

    return measure


def _late_stop(key: str) -> Measure:
    def measure(sim: Simulation) -> float:
        found = [s[key] for s in stops(sim) if s["time_s"] > _begin(sim) and s[key] is not None]
        return float(found[-1]) if found else float("nan")

    return measure


def _loaded(sim: Simulation) -> float:
    starts: list[dict[str, float]] = sim.truth["starts"]  # type: ignore[assignment]
    return float(sum(str(s["unloaded"]) == "no" for s in starts))


def _starts_an_hour(sim: Simulation) -> float:
    starts: list[dict[str, float]] = sim.truth["starts"]  # type: ignore[assignment]
    times = [s["time_s"] for s in starts if s["time_s"] >= _begin(sim)]
    return len(times) / max(times[-1] - times[0], 3600.0) * 3600.0


def _residual(sim: Simulation) -> float:
    at = np.array([stops(sim)[-1]["time_s"] + 60.0])
    return float((sim.state("pd", at) - sim.state("ps", at))[0])


def _spread(sim: Simulation) -> float:
    t = running(sim, from_s=_begin(sim) + 60.0)
    phases = np.array([sim.state(name, t) for name in ("pa", "pb", "pc_phase")])
    return float((phases.max(axis=0) - phases.min(axis=0)).max())


# fault: (what must move, least change against the healthy machine; negative: it falls)
MOVES: dict[str, tuple[Measure, float]] = {
    "unload-path-failed": (_loaded, 1.0),
    "slide-stuck": (_loaded, 1.0),
    "load-solenoid-failed": (_while_running("slide", 0.9), -30.0),
    "bypass-not-released": (_late_stop("time_to_37pc_s"), 4.0),
    "bypass-open-while-running": (_while_running("td", 0.9), 6.0),
    "discharge-check-leaking": (_residual, 20.0),
    "oil-supply-lost": (_while_running("oil_kpa", 0.1), -60.0),
    "oil-filter-plugged": (_while_running("filter_kpa", 0.9), 50.0),
    "liquid-floodback": (_while_running("sh", 0.5), -1.5),
    "discharge-overheating": (_while_running("td", 0.9), 20.0),
    "high-head": (_while_running("tc", 0.9), 6.0),
    "low-suction": (_while_running("sh", 0.5), 6.0),
    "supply-unbalance": (_spread, 0.15),
    "short-cycling": (_starts_an_hour, 2.0),
    "bearing-or-rotor-damage": (_while_running("vibration", 0.9), 5.0),
    "motor-overload": (_while_running("amps", 0.9), 0.1),
    "drive-fault": (_while_running("hertz", 0.9), -5.0),
}

TRIPS_AT_ONCE = {"oil-supply-lost", "oil-filter-plugged", "supply-unbalance"}  # the gross ones never run a minute


@pytest.mark.parametrize("fault", sorted(MOVES))
def test_a_fault_moves_what_it_should(fault: str) -> None:
    build = able(fault)
    measure, least = MOVES[fault]
    severity = "barely" if fault in TRIPS_AT_ONCE else "gross"
    change = measure(made(build, fault, severity)) - measure(made(build))
    assert change * np.sign(least) >= abs(least), change


@pytest.mark.parametrize("fault", ["discharge-overheating", "supply-unbalance", "bypass-not-released", "sensor-fault"])
def test_what_a_fault_does_not_touch_stays(fault: str) -> None:
    # before its onset nothing differs; after it, neither does the evaporator's side
    sick, sound = made("pulsed-bypass", fault, "clear"), made("pulsed-bypass")
    before = sick.grid(5.0)
    before = before[before < _begin(sick) - 1.0]
    for name in ("slide", "ps", "pc", "td", "amps"):
        assert np.array_equal(sick.state(name, before), sound.state(name, before)), name
    t = np.intersect1d(running(sick), running(sound))
    assert np.allclose(sick.state("ps", t), sound.state("ps", t), atol=3.0)
    assert np.allclose(sick.state("slide", t), sound.state("slide", t), atol=3.0)


@pytest.mark.parametrize("fault", ["high-head", "discharge-overheating", "low-suction", "discharge-check-leaking"])
def test_severity_orders_the_effect(fault: str) -> None:
    measure, least = MOVES[fault]
    values = [measure(made("pulsed-bypass", fault, severity)) * np.sign(least) for severity in SEVERITIES]
    assert values[0] < values[1] < values[2]


def test_gaining_slide_drifts_at_the_stated_rate() -> None:
    sim = made("pulsed-bypass", "load-solenoid-leaking", "gross")
    rate = FAULTS["load-solenoid-leaking"].levels[2]
    t = running(sim, from_s=_begin(sim) + 60.0)
    quiet = t[~sim.switched("load_solenoid", t) & ~sim.switched("unload_solenoid", t)]
    slide = sim.state("slide", quiet)
    inside = quiet[(slide > 5.0) & (slide < 95.0)]
    gain = (sim.state("slide", inside + 0.2) - sim.state("slide", inside)) / 0.2 * 60.0
    assert np.median(gain) == pytest.approx(rate, rel=0.05)


def test_turning_back_needs_gas_and_is_longest_where_the_check_valve_is_open() -> None:
    # order of the table of reverse rotation common to lumped models of the trade; sizes are this model's own
    def worst(fault: str, severity: str) -> float:
        return -min(s["peak_reverse_rpm"] for s in stops(made("pulsed-bypass", fault, severity)))

    assert worst("none", "gross") < 30.0
    assert 100.0 < worst("bypass-not-released", "gross") < worst("discharge-check-leaking", "gross")
    assert worst("discharge-check-leaking", "barely") < 30.0


def test_a_reversed_start_draws_the_plenum_down_and_gives_no_oil() -> None:
    sim = made("pulsed-bypass", "wrong-phase-sequence")
    backward = [s for s in sim.truth["starts"] if s["backward"]]  # type: ignore[attr-defined]
    assert backward
    at = np.array([backward[0]["time_s"] + 14.0])
    assert sim.state("pd", at)[0] < sim.state("ps", at)[0]
    assert sim.state("rpm", at)[0] < -2000.0
    assert sim.state("oil_kpa", at)[0] < 30.0


def test_a_power_cut_traps_the_slide_only_where_oil_cannot_leave() -> None:
    gross, sound = (
        simulate(b, "trapped-loaded", "gross", seed=5, hours=HOURS) for b, HOURS in (("pulsed-bypass", 6.0),) * 2
    )
    assert gross.truth == sound.truth
    starts: list[dict[str, float]] = gross.truth["starts"]  # type: ignore[assignment]
    after = [s for s in starts if str(s["previous_stop"]) == "power-loss"]
    assert after
    assert str(after[0]["unloaded"]) == "no"
    healthy = simulate("pulsed-bypass", seed=5, hours=6.0, disturbances=("power-cut",))
    after = [s for s in healthy.truth["starts"] if str(s["previous_stop"]) == "power-loss"]  # type: ignore[attr-defined]
    assert all(str(s["unloaded"]) == "yes" for s in after)
    assert not possible(BUILDS["unload-normally-open"], "trapped-loaded")


def test_refrigerant_in_cold_oil_foams_at_the_start_after_a_long_rest() -> None:
    sim = simulate("pulsed-bypass", "flooded-start", "gross", seed=5, hours=12.0)
    sound = simulate("pulsed-bypass", seed=5, hours=12.0)
    starts: list[dict[str, float]] = sim.truth["starts"]  # type: ignore[assignment]
    last = np.array([s["time_s"] for s in starts if s["time_s"] > _begin(sim) + 3600.0][:1])
    assert last.size
    assert sim.state("oil_c", last)[0] < 30.0
    first = np.array([sound.truth["starts"][0]["time_s"]])  # type: ignore[index]
    assert sim.state("oil_kpa", last + 60.0)[0] < sound.state("oil_kpa", first + 60.0)[0] - 40.0


def test_a_seized_rotor_does_not_turn_back_and_draws_locked_rotor_current() -> None:
    sim = made("pulsed-bypass", "bearing-or-rotor-damage")
    trip = next(e for e in sim.events if "locked rotor" in e.text)
    t = np.array([trip.time_s - 1.0])
    assert sim.state("amps", t)[0] == pytest.approx(sim.build.locked_rotor_ratio, rel=0.05)
    assert all(s["peak_reverse_rpm"] == 0.0 for s in stops(sim, kind="trip"))


def test_a_lost_phase_is_gone_at_once_and_the_others_rise() -> None:
    # two lines carry the square root of three of the three lines' current at the same power (textbook)
    sim = made("pulsed-bypass", "single-phasing")
    at = np.array([sim.faults[0].strikes_s[0]])
    lost = next(t for t in np.arange(at[0], at[0] + 30.0, 0.5) if sim.state("pb", np.array([t]))[0] < 0.1)
    before, after = np.array([lost - 1.0]), np.array([lost + 0.5])
    assert sim.state("pb", before)[0] == pytest.approx(1.0)
    assert sim.state("pa", after)[0] == pytest.approx(1.73, abs=0.02)


def test_an_economiser_that_fails_shut_leaves_its_port_at_the_low_pressure_under_command() -> None:
    sound, sick = (simulate("economised", fault, "gross", seed=5, hours=6.0) for fault in ("none", "economiser-fault"))
    assert sick.faults[0].variant == 0
    ratios = []
    for sim in (sound, sick):
        t = running(sim, from_s=sick.faults[0].full_s + 60.0)
        t = t[sim.switched("economiser_solenoid", t) & sim.switched("economiser_solenoid", t - 30.0)]
        middle = np.sqrt(sim.state("ps", t) * sim.state("pd", t))
        ratios.append(np.median(sim.state("economiser_kpa", t) / middle))
    assert ratios[0] == pytest.approx(1.04, abs=0.02)
    assert ratios[1] == pytest.approx(0.82, abs=0.02)


def test_combinations_hold_every_mode_of_every_build_three_by_three() -> None:
    made_up = list(combinations())
    assert len(made_up) == len(set(made_up)) > 3000
    assert {build for build, fault, _, _ in made_up if fault == "none"} == set(BUILDS)
    assert {fault for _, fault, _, _ in made_up} == {"none", *FAULTS}
    assert ("no-bypass", "bypass-not-released", "gross", "sudden") not in made_up


def test_contacts_bounce_or_weld() -> None:
    kinds = {}
    for seed in range(1, 8):
        sim = made("pulsed-bypass", "contactor-fault", "gross", seed=seed)
        kinds[sim.faults[0].variant] = sim
        if len(kinds) == 2:
            break
    assert len(kinds[0].truth["drop_outs"]) >= 4  # type: ignore[arg-type]
    welded = kinds[1]
    off, on = welded.edges["run_status"]
    ran_on = [t for t in off[~on] if welded.state("amps", np.array([t + 20.0]))[0] > 0.2]
    assert ran_on


def test_a_false_sensor_moves_alone() -> None:
    for seed in (1, 2, 3, 4, 5):
        sim = made("pulsed-bypass", "sensor-fault", "clear", seed=seed)
        role, per = (("discharge_temperature", 1.0), ("suction_pressure", -3.0))[sim.faults[0].variant]
        shown = sim.case(sampling=1.0, dirt="clean").logs[0]
        name = {"discharge_temperature": "td", "suction_pressure": "ps"}[role]
        t = sim.grid()[sim.seed % 2 :: 2]
        late = t > sim.faults[0].full_s + 60.0
        error = np.nanmedian(shown.values[role][late] - sim.state(name, t)[late])
        assert error == pytest.approx(per * FAULTS["sensor-fault"].levels[1], rel=0.15)


def test_two_faults_both_act() -> None:
    both = simulate(
        "pulsed-bypass", "high-head", "clear", seed=3, hours=6.0, also=(("oil-filter-plugged", "barely", "sudden"),)
    )
    assert both.truth["modes"] == ["high-head", "oil-filter-plugged"]
    t = running(both, from_s=max(one.full_s for one in both.faults) + 60.0)
    sound = made("pulsed-bypass")
    assert np.quantile(both.state("tc", t), 0.9) > np.quantile(sound.state("tc", running(sound)), 0.9) + 3.0
    assert np.quantile(both.state("filter_kpa", t), 0.9) > 60.0


def test_hours_grow_and_weeks_leave_days_between() -> None:
    hours = made("pulsed-bypass", "high-head", "clear", "hours")
    one = hours.faults[0]
    assert [one.share(t) for t in (one.begin_s, (one.begin_s + one.full_s) / 2.0, one.full_s)] == pytest.approx(
        [0.0, 0.5, 1.0]
    )
    weeks = simulate("pulsed-bypass", "high-head", "clear", "weeks", seed=3, hours=12.0)
    assert len(weeks.windows) == 4
    assert np.diff(weeks.grid(60.0)).max() > 6.0 * 86400.0
    assert weeks.faults[0].share(weeks.windows[0][1]) == 0.0
    assert weeks.faults[0].share(weeks.windows[-1][1]) == 1.0


@pytest.mark.parametrize("disturbance", DISTURBANCES)
def test_disturbing_normal_events_are_no_faults(disturbance: str) -> None:
    sim = simulate("pulsed-bypass", seed=6, hours=6.0, disturbances=(disturbance,))
    assert sim.truth["modes"] == ["none"]
    assert not [event for event in sim.events if event.point == "TRIP"]
    plain = simulate("pulsed-bypass", seed=6, hours=6.0)
    assert sim.swaps or sim.table.tobytes() != plain.table.tobytes()


def test_a_hot_restart_comes_minutes_after_the_cut() -> None:
    for name, wait_s in (("hot-restart", 180.0), ("power-cut", 600.0)):
        sim = simulate("pulsed-bypass", seed=6, hours=6.0, disturbances=(name,))
        cut_s = next(stop["time_s"] for stop in stops(sim, kind="power-loss"))
        again = next(s["time_s"] for s in sim.truth["starts"] if s["time_s"] > cut_s)  # type: ignore[attr-defined]
        assert again - cut_s == pytest.approx(wait_s + 15.0, abs=2.0)


def test_every_mode_of_the_contract_is_made() -> None:
    known = {mode.value for mode in Mode} - {"none"}
    assert known <= set(FAULTS)
    assert set(FAULTS) - known <= JOIN_LATER


@pytest.mark.parametrize("build", sorted(BUILDS))
def test_each_build_with_a_fault_of_its_own_stays_in_range(build: str) -> None:
    faults = [fault for fault in FAULTS if possible(BUILDS[build], fault)]
    fault = faults[len(build) % len(faults)]
    sim = made(build, fault)
    assert np.isfinite(sim.table).all()
    assert (np.diff(sim.time_s) > 0.0).all()
    assert sim.state("ps", sim.time_s).min() > 15.0


def test_a_case_costs_less_than_a_second_and_a_half_of_processor_time() -> None:
    simulate("three-way", seed=1, hours=4.0).case()  # libraries are taken in
    spent = []
    for build in ("pulsed-bypass", "three-way", "no-bypass"):
        begun = time.process_time()
        simulate(build, seed=11, hours=12.0).case(sampling=1.0, dirt="rough")
        spent.append(time.process_time() - begun)
    assert max(spent) < 1.5
