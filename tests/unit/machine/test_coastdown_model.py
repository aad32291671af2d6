"""The physics of a stop against textbook limits, against itself inverted, and against an integration by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from forensics.machine.stops.coastdown_model import (
    Rotors,
    area_ratio,
    backward_work_kpa,
    between,
    conductance,
    forward_work_kpa,
    lowest_speed,
    matching_volume_ratio,
    orifice_head,
    pressure_after,
    seconds_to_fall,
    spread_evenly,
    stepped_course,
)


def rotors(**changes: float) -> Rotors:
    given = {
        "start_time_s": 1.4,
        "friction": 0.02,
        "churning": 0.05,
        "built_in_ratio": 2.6,
        "torque": 0.3,
        "sealing": 1.0,
        **changes,
    }
    return Rotors(**{name: np.array([value]) for name, value in given.items()})


@pytest.mark.parametrize("share", [0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.9])
def test_an_orifice_against_the_isentropic_nozzle(share: float) -> None:
    """Saint-Venant and Wantzel (textbook), exponent 1.1: the flow stands still below the critical ratio."""
    g = 1.1
    r = max(1.0 - share, (2 / (g + 1)) ** (g / (g - 1)))
    nozzle = np.sqrt(g / (g - 1) * (r ** (2 / g) - r ** ((g + 1) / g)))
    head = orifice_head(np.array([1000.0]), np.array([1000.0 * (1.0 - share)]))[0] / 1000.0
    assert head == pytest.approx(nozzle, rel=0.03)
    assert orifice_head(np.array([300.0]), np.array([900.0]))[0] < 0.0


@pytest.mark.parametrize("start_kpa", [420.0, 700.0, 1400.0])
def test_the_closed_form_against_an_integration(start_kpa: float) -> None:
    """scipy.integrate.solve_ivp of the same law."""
    sink, k = 300.0, 0.8
    t = np.linspace(0.0, 2.0, 41)
    found = solve_ivp(
        lambda _, p: -k * orifice_head(p, np.array([sink])), (0.0, 2.0), [start_kpa], t_eval=t, max_step=0.01, rtol=1e-8
    )
    closed = pressure_after(np.array(start_kpa), np.array(sink), np.array(k), t)
    assert closed == pytest.approx(found.y[0], abs=0.5)


def test_time_and_conductance_undo_the_closed_form() -> None:
    end = pressure_after(np.array(1200.0), np.array(350.0), np.array(0.5), np.array(1.7))
    assert seconds_to_fall(np.array(1200.0), end, np.array(350.0), np.array(0.5)) == pytest.approx(1.7)
    assert conductance(np.array(1200.0), end, np.array(350.0), np.array(1.7)) == pytest.approx(0.5)


def test_the_root_of_the_drop_falls_along_a_line_to_nothing() -> None:
    t = np.linspace(0.0, 3.0, 7)
    drop = pressure_after(np.array(450.0), np.array(350.0), np.array(0.2), t) - 350.0
    steps = np.diff(np.sqrt(drop[drop > 0.0]))
    assert steps == pytest.approx(np.full(len(steps), steps[-1]), rel=0.1)
    assert pressure_after(np.array(450.0), np.array(350.0), np.array(0.2), np.array(60.0)) == 350.0


@pytest.mark.parametrize("leak", [0.07, 0.2, 1.0, 3.5])
def test_areas_from_a_state_that_holds(leak: float) -> None:
    """Two orifices in series, integrated until nothing changes."""
    high, low = 900.0, 350.0
    found = solve_ivp(
        lambda _, p: leak * orifice_head(np.array([high]), p) - orifice_head(p, np.array([low])),
        (0.0, 30.0), [low], max_step=0.01, rtol=1e-8,
    )  # fmt: skip
    assert area_ratio(found.y[0][-1:], np.array([high]), np.array([low]))[0] == pytest.approx(leak, rel=0.02)


def test_no_leak_and_no_lift_between() -> None:
    assert area_ratio(np.array([350.0]), np.array([900.0]), np.array([350.0]))[0] == 0.0
    assert area_ratio(np.array([900.0]), np.array([900.0]), np.array([350.0]))[0] == np.inf


def test_work_where_the_built_in_ratio_fits_is_the_reversible_one() -> None:
    """Polytropic work n / (n - 1) p1 v1 (r ** ((n - 1) / n) - 1), the same both ways (textbook)."""
    ratio, low = 2.6, 300.0
    high = low * ratio**1.1
    reversible = 1.1 / 0.1 * low * (high / low) ** (0.1 / 1.1) - 11.0 * low
    assert forward_work_kpa(np.array(high), np.array(low), np.array(ratio)) == pytest.approx(reversible)
    assert backward_work_kpa(np.array(high), np.array(low), np.array(ratio)) == pytest.approx(reversible)


def test_gas_too_little_above_suction_brakes() -> None:
    assert backward_work_kpa(np.array(400.0), np.array(350.0), np.array(2.6)) < 0.0
    level = np.full((300, 1), 350.0)
    assert lowest_speed(level + 40.0, level, np.full(300, 0.1), rotors())[0] == 0.0


def test_rotors_against_an_integration() -> None:
    """scipy.integrate.solve_ivp of the torque balance with the same held pressures."""
    steps, dt = 120, 0.05
    high, low = np.full((steps, 1), 900.0), np.full((steps, 1), 320.0)
    given = rotors()
    gas = (0.3 - 0.02 - 0.05) / float(forward_work_kpa(np.array(900.0), np.array(320.0), np.array(2.6)))
    work = (forward_work_kpa, backward_work_kpa)

    def slope(_: float, n: np.ndarray) -> np.ndarray:
        drive = gas * work[int(n[0] < 0)](np.array(900.0), np.array(320.0), np.array(2.6))
        return -(drive + np.sign(n) * (0.02 + 0.05 * np.abs(n))) / 1.4

    found = solve_ivp(slope, (0.0, steps * dt), [1.0], max_step=0.01)
    assert lowest_speed(high, low, np.full(steps, dt), given)[0] == pytest.approx(-found.y[0][-1], rel=0.05)


def test_light_rotors_turn_faster_and_early_loss_turns_none() -> None:
    low, step = np.full((200, 1), 320.0), np.full(200, 0.05)
    lost = {s: np.where(np.arange(200) * 0.05 < s, 900.0, 320.0)[:, None] for s in (1.0, 6.0)}
    speeds = [lowest_speed(lost[6.0], low, step, rotors(start_time_s=s))[0] for s in (0.7, 1.4)]
    assert speeds[0] > speeds[1] > lowest_speed(lost[1.0], low, step, rotors())[0] == 0.0


def test_a_course_between_readings_turns_where_its_share_says() -> None:
    t, v = np.array([1.0, 3.0]), np.array([500.0, 340.0])
    at = np.broadcast_to(np.array([0.5, 1.0, 1.9, 2.1, 3.5])[:, None], (5, 3))
    found = stepped_course(t, v, 600.0, np.array([0.0, 0.5, 1.0]), at)
    assert found[:, 0].tolist() == [500.0, 340.0, 340.0, 340.0, 340.0]
    assert found[:, 1].tolist() == [500.0, 500.0, 500.0, 340.0, 340.0]
    assert found[:, 2].tolist() == [600.0, 500.0, 500.0, 500.0, 340.0]


def test_points_that_fill_a_band_evenly() -> None:
    """Against scipy.stats.qmc: less uneven than as many random points, in as many dimensions."""
    from scipy.stats import qmc

    points = spread_evenly(64, 9)
    assert points.shape == (9, 64)
    assert np.abs(points.mean(axis=1) - 0.5).max() < 0.05
    random = [qmc.discrepancy(np.random.default_rng(seed).random((64, 9))) for seed in range(20)]
    assert qmc.discrepancy(points.T) < min(random)
    assert between(0.5, 2.0, np.array([0.0, 0.5, 1.0])).tolist() == [0.5, 1.0, 2.0]


def test_the_volume_ratio_that_fits() -> None:
    assert matching_volume_ratio(2.6**1.1) == pytest.approx(2.6)
