"""The demonstration machine obeys what it states: saturation, rest, start, stop, and reverse rotation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from forensics.demo.layout import air_pressure_kpa
from forensics.demo.machine import orifice_kg_s
from forensics.demo.saturation import saturation
from forensics.demo.scenarios import Run, Scenario, short_run, simulate

Maker = Callable[[str], Run]


def _starts(run: Run) -> list[dict[str, float]]:
    return run.truth["starts"]  # type: ignore[return-value]


def _stops(run: Run) -> list[dict[str, float]]:
    return run.truth["stops"]  # type: ignore[return-value]


@pytest.mark.parametrize("refrigerant", ["R134a", "R1234ze(E)", "R22", "R717", "R407C"])
@pytest.mark.parametrize("temperature_c", [-15.0, 0.0, 10.0, 30.0, 45.0, 60.0])
def test_saturation_line_follows_the_reference_equation_of_state(refrigerant: str, temperature_c: float) -> None:
    # source of the check: CoolProp's reference equations of state, vapour side
    pressure_kpa = PropsSI("P", "T", temperature_c + 273.15, "Q", 1, refrigerant) / 1e3
    line = saturation(refrigerant)
    assert line.temperature_c(pressure_kpa) == pytest.approx(temperature_c, abs=0.3)
    assert line.temperature_c(line.pressure_kpa(temperature_c)) == pytest.approx(temperature_c, abs=1e-9)


def test_unknown_refrigerant_is_named() -> None:
    with pytest.raises(ValueError, match="R999"):
        saturation("R999")


def test_air_pressure_is_that_of_the_standard_atmosphere() -> None:
    # ISO 2533 table values (from memory): 1000 m 89.875 kPa, 2000 m 79.495 kPa
    assert air_pressure_kpa(0.0) == pytest.approx(101.325)
    assert air_pressure_kpa(1000.0) == pytest.approx(89.875, abs=0.02)
    assert air_pressure_kpa(2000.0) == pytest.approx(79.495, abs=0.02)


def test_orifice_flow_is_odd_and_grows_with_the_root_of_the_drop() -> None:
    assert orifice_kg_s(0.0, 900.0, 300.0, 24.0) == 0.0
    assert orifice_kg_s(100.0, 900.0, 880.0, 24.0) == -orifice_kg_s(100.0, 880.0, 900.0, 24.0)
    assert orifice_kg_s(100.0, 900.0, 860.0, 24.0) == pytest.approx(
        np.sqrt(2.0) * orifice_kg_s(100.0, 900.0, 880.0, 24.0)
    )


def test_isentropic_superheat_orders_the_refrigerants() -> None:
    # textbook knowledge: ammonia leaves far hotter than R22, R22 hotter than R134a, R1234ze(E) hardly superheated
    ordered = [saturation(name).isentropic_superheat_k for name in ("R1234ze(E)", "R134a", "R22", "R717")]
    assert ordered == sorted(ordered)
    assert ordered[-1] > 40.0 > 10.0 > ordered[1]


def test_same_scenario_same_run_other_seed_other_run() -> None:
    one, two, other = (short_run("none", seed, cycles=1) for seed in (8, 8, 9))
    for role, values in one.columns.items():
        assert values.tobytes() == two.columns[role].tobytes(), role
    assert one.events == two.events
    assert one.truth == two.truth
    assert one.columns["motor_amps"].tobytes() != other.columns["motor_amps"].tobytes()


def test_plenum_and_suction_are_equal_at_rest(sound: Run) -> None:
    exact, rest = sound.exact, sound.exact["run_status"] == 0.0
    long_rest = rest & np.r_[np.zeros(60, bool), rest[:-60]]
    assert long_rest.sum() > 200
    assert np.abs(exact["discharge_pressure"] - exact["suction_pressure"])[long_rest].max() < 1.0
    assert (exact["condenser_pressure"] - exact["suction_pressure"])[long_rest].min() > 50.0
    assert exact["motor_amps"][rest].max() == 0.0


def test_healthy_starts_are_unloaded_at_the_usual_ratio(sound: Run) -> None:
    # common practice, no published source: a healthy unloaded start settles at 0.35 to 0.45 of rated amps
    starts = _starts(sound)
    assert len(starts) == 3
    for start in starts:
        assert 0.35 <= start["ratio"] <= 0.45
        assert start["slide_at_start_pc"] < 1.0


def test_healthy_stops_equalise_fast_and_never_turn_back(sound: Run) -> None:
    stops = _stops(sound)
    assert len(stops) == 3
    for stop in stops:
        assert stop["time_to_37pc_s"] < 3.0
        assert stop["peak_reverse_rpm"] == 0.0
        assert 5.0 < stop["spin_down_s"] < 30.0


def test_condenser_decays_slowly_after_a_healthy_stop(sound: Run) -> None:
    stop_s = _stops(sound)[0]["time_s"]
    at = np.searchsorted(sound.time_s, [stop_s + 20.0, stop_s + 120.0])
    lift = (sound.exact["condenser_pressure"] - sound.exact["suction_pressure"])[at]
    assert lift[1] > 0.6 * lift[0]


def test_running_levels_are_plausible(sound: Run) -> None:
    loaded = sound.exact["slide_position"] > 30.0
    exact = sound.exact
    assert loaded.any()
    assert np.all(exact["discharge_pressure"][loaded] >= exact["condenser_pressure"][loaded])
    assert 150.0 < np.median(exact["oil_pressure_difference"][loaded]) < 600.0
    assert 45.0 < np.median(exact["discharge_temperature"][loaded]) < 85.0
    assert 0.4 < np.median(exact["motor_amps"][loaded]) / sound.scenario.rated_amps < 1.05


def test_shut_valve_holds_the_plenum_and_the_rotors_turn_back(made: Maker) -> None:
    run = made("bypass-not-released")
    healthy, faulty = _stops(run)[0], _stops(run)[-1]
    assert healthy["peak_reverse_rpm"] == 0.0
    assert faulty["peak_reverse_rpm"] < -250.0
    assert faulty["reverse_s"] > 3.0
    assert faulty["spin_down_s"] < healthy["spin_down_s"]

    def share_left(stop: dict[str, float]) -> float:
        at = int(np.searchsorted(run.time_s, stop["time_s"] + 2.0))
        left = run.exact["discharge_pressure"][at] - run.exact["suction_pressure"][at]
        return float(left / stop["difference_kpa"])

    assert share_left(faulty) > 0.8
    assert share_left(healthy) < 0.4


def test_a_small_plenum_does_not_drive_the_rotors_far_back() -> None:
    small = short_run("bypass-not-released", 5, cycles=1, base=Scenario(plenum_m3=0.006))
    assert _stops(small)[-1]["reverse_s"] < 3.0


def test_valve_released_early_is_equal_before_the_motor_stops() -> None:
    early = short_run("none", 5, cycles=1, base=Scenario(bypass_release_s=-12.0))
    late = short_run("none", 5, cycles=1, base=Scenario(bypass_release_s=6.0))
    assert _stops(early)[-1]["difference_kpa"] < 0.5 * _stops(late)[-1]["difference_kpa"]
    assert _stops(late)[-1]["bypass_open_after_s"] == pytest.approx(6.0, abs=0.3)


def test_without_pump_down_no_stop_state_is_there() -> None:
    run = short_run("none", 5, cycles=1, base=Scenario(pump_down=False))
    states = {str(s["state"]) for s in run.truth["states"]}  # type: ignore[attr-defined]
    assert "stop" not in states
    assert "coast-down" in states


def test_polarity_flips_coils_only() -> None:
    usual = short_run("none", 5, cycles=1)
    flipped = short_run(
        "none", 5, cycles=1, base=Scenario(unload_energised_unloads=False, bypass_energised_shuts=False)
    )
    for role in ("unload_solenoid", "bypass_solenoid"):
        assert np.array_equal(usual.columns[role], 1.0 - flipped.columns[role])
    assert np.array_equal(usual.columns["load_solenoid"], flipped.columns["load_solenoid"])
    assert np.array_equal(usual.exact["motor_amps"], flipped.exact["motor_amps"])


@pytest.mark.parametrize("leak_mm2", [60.0, 150.0])
def test_leaking_check_valve_leaves_a_residual_and_empties_the_high_side(leak_mm2: float, sound: Run) -> None:
    run = short_run("none", 5, cycles=1, base=Scenario(check_leak_mm2=leak_mm2))

    def after(of: Run, role: str, age_s: float) -> float:
        at = int(np.searchsorted(of.time_s, _stops(of)[0]["time_s"] + age_s))
        return float(of.exact[role][at] - of.exact["suction_pressure"][at])

    assert after(run, "discharge_pressure", 60.0) > 1.0
    assert after(run, "condenser_pressure", 120.0) < after(sound, "condenser_pressure", 120.0) - 10.0


def test_bleeding_expansion_valve_empties_the_high_side_without_a_residual(sound: Run) -> None:
    run = short_run("none", 5, cycles=1, base=Scenario(exv_bleed_mm2=18.0))
    at, healthy_at = (int(np.searchsorted(r.time_s, _stops(r)[0]["time_s"] + 120.0)) for r in (run, sound))
    assert abs(run.exact["discharge_pressure"][at] - run.exact["suction_pressure"][at]) < 1.0
    assert run.exact["condenser_pressure"][at] < sound.exact["condenser_pressure"][healthy_at] - 10.0


@pytest.mark.parametrize("starter", ["across-the-line", "star-delta", "part-winding", "soft-start", "variable-speed"])
def test_each_starter_runs_up(starter: str) -> None:
    run = short_run("none", 5, cycles=1, base=Scenario(starter=starter))
    start = _starts(run)[0]
    assert 0.35 <= start["ratio"] <= 0.45
    assert 0.2 < start["run_up_s"] < 8.0


def test_refrigerant_and_size_scale_together() -> None:
    run = short_run("none", 5, cycles=1, base=Scenario(refrigerant="R1234ze(E)", rated_amps=320.0, plenum_m3=0.12))
    assert 0.33 <= _starts(run)[0]["ratio"] <= 0.47
    assert run.exact["motor_amps"].max() > 320.0


def test_parameters_are_checked_all_at_once() -> None:
    with pytest.raises(ValueError, match=r"fault 'x'.*starter 'y'.*interval_s") as caught:
        replace(Scenario(), fault="x", starter="y", interval_s=0.03)
    assert "hours" not in str(caught.value)


def test_records_are_evenly_spaced_at_the_interval() -> None:
    run = simulate(Scenario(hours=0.5, interval_s=15.0, run_minutes=(10.0, 12.0)))
    assert np.allclose(np.diff(run.time_s), 15.0)
    assert {values.size for values in run.columns.values()} == {run.time_s.size}
