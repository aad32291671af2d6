"""The slide by identification, on drawn courses whose rates are known, and the fits that it rests on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.slide.gains import identify
from forensics.machine.slide.windows import Course, Pulses, cut, independent_looks
from forensics.model.points import NS
from forensics.stats.change import change_of_slope
from forensics.stats.errors_in_variables import moment_fit
from forensics.stats.missed_steps import Steps, rate_beneath
from forensics.stats.robust import batches, bisquare_fit

T0 = 1_900_000_000 * NS


def drawn(*, load: float = 100.0, unload: float = -133.0, drift: float = 0.0, hours: float = 2.0) -> Course:
    """A slide sampled every second: pulses of 1 s, load and unload by turns every 80 s, leaning against the drift."""
    n = round(3600 * hours)
    rng = np.random.default_rng(3)
    t = T0 + np.arange(n, dtype=np.int64) * NS
    up, down = np.arange(n) % 160 == 10, np.arange(n) % 160 == 90
    level = 50.0 + np.cumsum(up * load / 60.0 + down * unload / 60.0 + drift / 60.0)
    # what the pulses and the drift leave over is brought back by trains of pulses every ten minutes
    level = level - level[0] + 50.0
    for k in range(n):
        if k % 600 == 0 and k:
            back = 50.0 - level[k]
            rate = load if back > 0 else unload
            if rate == 0.0:
                continue
            count = int(min(abs(back) / (abs(rate) / 60.0), 200))
            (up if back > 0 else down)[k : k + 2 * count : 2] = True
            level[k:] += np.minimum(np.arange(n - k) // 2 + 1, count) * rate / 60.0
    v = np.round(level + rng.normal(0, 0.15, n), 2)

    def pulses(on: np.ndarray) -> Pulses:
        edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(int), [0]))))
        ends = np.append(t, t[-1] + NS)
        return Pulses(t[edges[::2]], ends[edges[1::2]], 1.0, True, (t[:1], ends[-1:]))

    return Course(
        t=t, v=v, interval_s=1.0, by_change=False, first=t[:1], last=t[-1:], load=pulses(up), unload=pulses(down)
    )


@pytest.mark.parametrize(("load", "unload", "drift"), [(100, -133, 0.0), (60, -90, 1.5), (100, -50, -1.0)])
def test_the_rates_drawn_are_found(load: float, unload: float, drift: float) -> None:
    found = identify(drawn(load=load, unload=unload, drift=drift))
    assert found.drift is not None
    assert found.load is not None
    assert found.unload is not None
    assert found.drift.end.value == pytest.approx(drift, abs=0.2)
    for part, true in ((found.load, load), (found.unload, unload)):
        assert part.end.low <= true <= part.end.high
        assert part.end.value == pytest.approx(true, rel=0.5)


def test_a_command_that_is_not_recorded_has_no_gain() -> None:
    assert identify(replace(drawn(), unload=None)).unload is None


def test_a_slide_that_stands_at_its_end_says_nothing_of_loading() -> None:
    course = drawn(load=0.0, unload=0.0)
    at_full = replace(course, v=np.full(len(course.v), 100.0))
    windows = cut(at_full, 60.0, (1.0, 1.0))
    assert windows.high.all()
    found = identify(at_full)
    assert found.load is None or max(abs(found.load.end.low), abs(found.load.end.high)) > 100.0


def test_time_in_which_a_command_is_silent_is_left_out() -> None:
    course = drawn()
    assert course.unload is not None
    half = course.t[len(course.t) // 2]
    silent = replace(course, unload=replace(course.unload, known=(course.t[:1], half[None])))
    assert cut(silent, 60.0, (1.0, 1.0)).end.max() <= half + NS


def test_readings_on_one_stamp_make_no_window_of_no_time() -> None:
    """A clock that was set back writes a stamp twice; between equal stamps nothing can be told of a rate."""
    course = drawn()
    held = course.t.copy()
    held[1000:1400] = held[1000]
    repeated = replace(course, t=held)
    assert (cut(repeated, 10.0, (0.0, 0.0)).minutes > 0.0).all()
    assert identify(repeated).drift is not None


def test_pulses_at_one_spacing_are_one_look() -> None:
    train = T0 + np.arange(0, 400, 20, dtype=np.int64) * NS
    known = (train[:1], train[-1:])
    whole = T0 + np.array([-NS]), T0 + np.array([40_000 * NS])
    assert independent_looks(Pulses(train, train + 5 * NS, 5.0, True, known), *whole) == 1
    rng = np.random.default_rng(1)
    apart = T0 + np.cumsum(rng.integers(10, 200, 40)) * NS
    assert independent_looks(Pulses(apart, apart + 5 * NS, 5.0, True, known), *whole) > 30
    elsewhere = whole[0] + 30_000 * NS, whole[1]
    assert independent_looks(Pulses(apart, apart + 5 * NS, 5.0, True, known), *elsewhere) == 0
    # a long train outweighs the pulses that stand alone
    both = np.sort(np.concatenate((apart[:5], T0 + np.arange(10_000, 12_000, 20, dtype=np.int64) * NS)))
    assert independent_looks(Pulses(both, both + 5 * NS, 5.0, True, known), *whole) < 2


def test_corrected_moments_find_the_slope_that_errors_hide() -> None:
    rng = np.random.default_rng(2)
    x = rng.gamma(2.0, 1.0, 4000)
    seen = x + rng.normal(0, 1.0, 4000)
    y = 3.0 * x + rng.normal(0, 0.5, 4000)
    design = np.column_stack([np.ones(4000), seen])
    fit = moment_fit(design, y, np.column_stack([np.zeros(4000), np.ones(4000)]), batches(4000))
    assert fit is not None
    assert abs(fit.found[1] - 3.0) <= fit.half_width(1)
    plain = np.linalg.lstsq(design, y, rcond=None)[0]
    assert plain[1] < 2.5


def test_errors_that_hide_the_regressor_wholly_tell_no_slope() -> None:
    rng = np.random.default_rng(2)
    noise = rng.normal(0, 1.0, 500)
    design = np.column_stack([np.ones(500), noise])
    assert moment_fit(design, noise, np.column_stack([np.zeros(500), np.ones(500)]), batches(500)) is None


def test_rows_in_which_something_else_acts_take_no_part() -> None:
    rng = np.random.default_rng(4)
    x = rng.uniform(1, 2, 600)
    y = 0.7 * x + rng.normal(0, 0.1, 600)
    y[rng.random(600) < 0.2] += 5.0
    fit = bisquare_fit(x[:, None], y, batches(600))
    assert fit is not None
    assert abs(fit.found[0] - 0.7) <= fit.half_width(0)


def test_steps_that_were_missed_do_not_pull_at_the_rate() -> None:
    rng = np.random.default_rng(5)
    minutes = np.full(900, 0.25)
    moved = 1.2 * minutes + rng.normal(0, 0.3, 900) - 1.5 * (rng.random(900) < 0.2)
    found = rate_beneath(moved, minutes, Steps(1.5, -1.5, 0.3, 0.3, (0.1, 0.1)), batches(900), 0.0)
    assert found is not None
    assert abs(found.fit.found[0] - 1.2) <= found.fit.half_width(0)
    assert found.still == pytest.approx(0.8, abs=0.06)
    assert abs(np.mean(moved) / 0.25 - 1.2) > 1.0


def test_the_moment_at_which_a_slope_changed_is_in_its_interval() -> None:
    rng = np.random.default_rng(6)
    x = rng.uniform(0, 1, 200)
    y = np.where(np.arange(200) < 120, 2.0, 0.0) * x + rng.normal(0, 0.1, 200)
    found = change_of_slope(x, y)
    assert found is not None
    assert found.low <= 120 <= found.high
    assert found.strength > 100
