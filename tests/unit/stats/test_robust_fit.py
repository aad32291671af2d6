"""The robust surface: invented duties and readings, so that slope, scatter and distance are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from forensics.stats.robust_fit import robust_fit, student_quantile
from forensics.stats.surface import Surface, fit_surface

TWO = np.zeros(5, dtype=np.int64)


def shown(seed: int = 1, *, bad: float = 0.0, n: int = 240) -> tuple[Surface, np.random.Generator]:
    rng = np.random.default_rng(seed)
    t = np.arange(n) * 60.0
    duty = np.column_stack([np.sin(t / 2000.0), np.cos(t / 3100.0)])
    y = 20.0 + 3.0 * duty[:, 0] - duty[:, 1] + rng.normal(0.0, 0.5, n)
    y[rng.random(n) < bad] += 30.0
    surface = fit_surface(duty, t, (np.arange(n) // 60).astype(np.int64), y, effect=5.0, step=0.0)
    assert surface is not None
    return surface, rng


def asked(surface: Surface, at: float, more: float = 0.0) -> tuple[float, float]:
    duty = np.column_stack([np.full(5, at), np.zeros(5)])
    found = surface.mean_deviation(duty, 20_000.0 + np.arange(5) * 60.0, TWO + 9, 20.0 + 3.0 * duty[:, 0] + more)
    return found.value, found.half_width


def test_what_is_expected_is_the_surface_that_was_drawn() -> None:
    value, half = asked(shown()[0], 0.5)
    assert abs(value) < half < 1.5


def test_a_shift_is_estimated_with_its_size() -> None:
    value, half = asked(shown()[0], 0.5, more=4.0)
    assert abs(value - 4.0) < half
    assert value - half > 0.0


def test_the_interval_widens_with_the_distance_from_duties_seen() -> None:
    surface, _ = shown()
    widths = [asked(surface, at)[1] for at in (0.5, 1.5, 2.5, 4.0, 8.0)]
    assert widths == sorted(widths)
    assert widths[-1] > 3.0 * widths[0]


def test_readings_far_off_do_not_move_the_surface() -> None:
    value, half = asked(shown(bad=0.1)[0], 0.5)
    assert abs(value) < half < 1.5


def test_a_drift_that_lasts_makes_many_readings_few() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(240) * 60.0
    lasting = np.repeat(rng.normal(0.0, 1.0, 8), 30)
    none = np.empty((240, 0))
    run = np.zeros(240, dtype=np.int64)
    slow = fit_surface(none, t, run, 20.0 + lasting + rng.normal(0.0, 0.2, 240), effect=5.0, step=0.0)
    quick = fit_surface(none, t, run, 20.0 + rng.normal(0.0, 1.0, 240), effect=5.0, step=0.0)
    assert slow is not None
    assert quick is not None
    assert slow.dof < 0.4 * quick.dof


def test_the_step_of_a_sensor_is_never_averaged_away() -> None:
    t = np.arange(100) * 60.0
    run = np.zeros(100, dtype=np.int64)
    surface = fit_surface(np.empty((100, 0)), t, run, np.full(100, 7.0), effect=5.0, step=1.0)
    assert surface is not None
    found = surface.mean_deviation(np.empty((50, 0)), t[:50] + 1e5, run[:50], np.full(50, 7.4))
    assert found.half_width >= 1.96 / np.sqrt(12.0)
    assert found.low < 0.0 < found.high


@pytest.mark.parametrize(("dof", "two_sided"), [(2.0, 0.05), (7.0, 0.05), (30.0, 0.001)])
def test_quantiles_are_those_of_student(dof: float, two_sided: float) -> None:
    # outside source: scipy.stats.t
    assert student_quantile(dof, two_sided) == pytest.approx(stats.t.ppf(1.0 - two_sided / 2.0, dof))


def test_robust_weights_beat_least_squares_where_some_readings_are_wild() -> None:
    rng = np.random.default_rng(5)
    x = np.linspace(-1.0, 1.0, 100)
    y = 2.0 * x + rng.normal(0.0, 0.1, 100)
    y[90:] += 20.0
    robust = robust_fit(np.column_stack([np.ones(100), x]), y)
    plain = np.polyfit(x, y, 1)
    assert abs(robust[1] - 2.0) < 0.2 < abs(plain[0] - 2.0)


def test_too_few_readings_make_no_surface() -> None:
    assert fit_surface(np.empty((4, 0)), np.arange(4.0), TWO[:4], np.ones(4), effect=1.0, step=0.0) is None
